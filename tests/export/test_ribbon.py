"""The ribbon shows every sub in its lane, the sky above it and what happened below."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

import pytest

from stackbench.export.hues import filter_marks
from stackbench.export.lessons import FindingEntry
from stackbench.export.night import FrameEntry
from stackbench.export.ribbon import Ribbon, night_ribbon

_START = datetime(2031, 2, 3, 20, 0, tzinfo=UTC)


def _sub(number: int, **changes: object) -> FrameEntry:
    entry = FrameEntry(
        path=PurePosixPath(f"/n/{number}.fits"),
        kind="light",
        filter=("L", "Ha")[number % 2],
        time=_START + timedelta(minutes=10 * number),
        exposure_s=300.0,
        verdict="keep",
    )
    return replace(entry, **changes)  # type: ignore[arg-type]


def _finding(start: int | None, end: int | None) -> FindingEntry:
    return FindingEntry(
        topic="weather", cause="cloud", title="Cloud", text="", evidence=(), confidence="likely",
        start=None if start is None else _START + timedelta(minutes=start),
        end=None if end is None else _START + timedelta(minutes=end),
    )  # fmt: skip


def _ribbon(subs: list[FrameEntry], *findings: FindingEntry) -> Ribbon:
    marks = filter_marks(sub.filter for sub in subs)
    ribbon = night_ribbon(subs, marks=marks, findings=findings)
    assert ribbon is not None
    return ribbon


def test_every_sub_has_a_cell_in_the_lane_of_its_filter() -> None:
    subs = [_sub(n) for n in range(6)]
    subs[3] = replace(subs[3], verdict="reject", by="hand", reasons=("cloudy",))
    ribbon = _ribbon(subs)
    assert [lane.name for lane in ribbon.lanes] == ["L", "Ha"]
    assert ribbon.lanes[0].y < ribbon.lanes[1].y < ribbon.height
    lights, reds = (lane.cells for lane in ribbon.lanes)
    assert (len(lights), len(reds)) == (3, 3)
    assert reds[1].rejected
    assert reds[1].by_hand
    assert reds[1].label == "3.fits: rejected by hand; cloudy"
    assert not any(cell.rejected for cell in lights)
    # cells are as wide as exposures are long, to scale, less a gap of one px
    assert reds[0].x - lights[0].x == pytest.approx(2 * (lights[0].width + 1), abs=0.3)


def test_a_very_short_exposure_is_still_seen() -> None:
    assert _ribbon([_sub(0, exposure_s=None), _sub(50)]).lanes[0].cells[0].width >= 3


def test_the_sky_is_shaded_by_the_suns_and_moons_altitude() -> None:
    suns = (-3.0, -9.0, -15.0, -20.0, -30.0, -17.0)
    moons = (10.0, 5.0, -1.0, -2.0, -5.0, -9.0)
    ribbon = _ribbon(
        [
            _sub(n, sun_altitude_deg=sun, moon_altitude_deg=moon)
            for n, (sun, moon) in enumerate(zip(suns, moons, strict=True))
        ]
    )
    assert [one.level for one in ribbon.sun] == [3, 2, 1, 0, 1]
    assert ribbon.sun[3].label == "dark"
    (moon,) = ribbon.moon
    # up from the first sub to the start of the third, which shows it down
    assert moon.x == ribbon.lanes[0].cells[0].x
    assert moon.x + moon.width == ribbon.lanes[0].cells[1].x


def test_the_sky_is_not_shaded_over_a_pause() -> None:
    subs = [_sub(n, sun_altitude_deg=-30.0) for n in (0, 1, 144, 145)]
    first, second = _ribbon(subs).sun
    assert first.x + first.width < second.x


def test_nothing_is_said_of_an_unknown_sky() -> None:
    ribbon = _ribbon([_sub(0), _sub(1)])
    assert ribbon.sun == ribbon.moon == ribbon.notes == ()


def test_findings_are_numbered_and_kept_apart() -> None:
    ribbon = _ribbon(
        [_sub(n) for n in range(12)],
        _finding(10, 40),
        _finding(None, None),
        _finding(20, 30),
        _finding(90, None),
    )
    one, three, four = ribbon.notes
    assert (one.number, three.number, four.number) == (1, 3, 4)
    assert one.y == four.y < three.y
    assert three.x > one.x
    assert one.width > three.width > four.width


def test_a_finding_beyond_the_subs_stays_on_the_ribbon() -> None:
    (note,) = _ribbon([_sub(n) for n in range(4)], _finding(-30, 600)).notes
    assert note.x >= 56
    assert note.x + note.width < 960


def test_what_was_before_or_after_all_subs_is_not_drawn_on_them() -> None:
    subs = [_sub(n) for n in range(4)]
    assert _ribbon(subs, _finding(-90, -30), _finding(300, 320)).notes == ()


def test_without_times_there_is_no_ribbon() -> None:
    assert night_ribbon([_sub(0, time=None)], marks=filter_marks(["L"])) is None
