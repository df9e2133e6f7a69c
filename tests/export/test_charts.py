"""Charts put every sub where it belongs."""

from datetime import UTC, datetime, timedelta
from pathlib import PurePosixPath

import pytest

from stackbench.export.axes import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH
from stackbench.export.charts import Chart, time_chart
from stackbench.export.hues import filter_marks
from stackbench.export.night import FrameEntry

_START = datetime(2031, 2, 3, 20, 0, tzinfo=UTC)


def _sub(minutes: float, fwhm: float | None, *, verdict: str = "keep") -> FrameEntry:
    return FrameEntry(
        path=PurePosixPath(f"/n/{minutes}.fits"),
        kind="light",
        filter="R",
        time=_START + timedelta(minutes=minutes),
        verdict=verdict,  # type: ignore[arg-type]
        fwhm_px=fwhm,
    )


def _chart(subs: list[FrameEntry]) -> Chart | None:
    marks = filter_marks({sub.filter for sub in subs})
    return time_chart(subs, lambda sub: sub.fwhm_px, title="FWHM", unit="px", marks=marks)


def test_marks_are_proportional_to_time_and_value() -> None:
    chart = _chart([_sub(0, 2.0), _sub(60, 3.0), _sub(120, 4.0, verdict="reject")])
    assert chart is not None
    first, second, third = chart.marks
    assert second.x - first.x == pytest.approx(third.x - second.x, abs=0.2)
    assert first.y - second.y == pytest.approx(second.y - third.y, abs=0.2)
    assert first.y > third.y  # larger is higher up
    assert (first.rejected, third.rejected) == (False, True)
    assert third.label == "120.fits, 22:00 UTC, FWHM 4 px: rejected"
    for mark in chart.marks:
        assert LEFT < mark.x < WIDTH - RIGHT
        assert TOP <= mark.y <= HEIGHT - BOTTOM


def test_the_axes_are_labelled_with_round_numbers() -> None:
    chart = _chart([_sub(0, 2.1), _sub(45, 3.4), _sub(150, 2.2)])
    assert chart is not None
    labels = [tick.label for tick in chart.y_ticks]
    assert labels == ["2.0", "2.5", "3.0", "3.5"]
    times = {tick.label: tick.at for tick in chart.x_ticks}
    assert "20:00" in times
    assert "21:00" in times
    marks = {mark.label[:2]: mark for mark in chart.marks}
    assert times["20:00"] == marks["0."].x
    heights = [tick.at for tick in chart.y_ticks]
    assert heights == sorted(heights, reverse=True)


def test_a_far_value_does_not_flatten_the_rest() -> None:
    subs = [_sub(n, 2.0 + n / 100) for n in range(20)] + [_sub(20, 80.0)]
    chart = _chart(subs)
    assert chart is not None
    assert chart.beyond == 1
    assert chart.marks[-1].beyond
    assert "FWHM 80 px" in chart.marks[-1].label
    assert chart.marks[0].y - chart.marks[19].y > 80


def test_nights_stand_side_by_side() -> None:
    subs = [_sub(n, 2.0 + n) for n in (0, 10, 20)]
    subs += [_sub(24 * 60 * 3 + n, 3.0) for n in (0, 10, 20)]
    chart = _chart(subs)
    assert chart is not None
    assert len(chart.pauses) == 1
    xs = [mark.x for mark in chart.marks]
    assert xs == sorted(xs)
    assert xs[2] < chart.pauses[0] < xs[3]
    assert xs[2] - xs[0] == pytest.approx(xs[5] - xs[3], abs=0.2)
    assert xs[2] - xs[0] > 300


@pytest.mark.parametrize("value", [0.0, 1.0, -3.0, 1e-9, 5e4])
def test_equal_values_make_a_level_line(value: float) -> None:
    chart = _chart([_sub(n, value) for n in range(5)])
    assert chart is not None
    assert len({mark.y for mark in chart.marks}) == 1
    assert chart.beyond == 0
    assert TOP < chart.marks[0].y < HEIGHT - BOTTOM
    assert len(chart.y_ticks) >= 2


def test_what_is_unknown_is_left_out() -> None:
    assert _chart([_sub(0, 2.0), _sub(1, None), _sub(2, float("nan"))]) is None
    without_time = FrameEntry(path=PurePosixPath("/a"), kind="light", fwhm_px=2.0)
    assert _chart([without_time, without_time]) is None
    assert _chart([]) is None


def test_subs_at_one_moment_have_a_place() -> None:
    chart = _chart([_sub(0, 2.0), _sub(0, 3.0)])
    assert chart is not None
    assert all(LEFT < mark.x < WIDTH for mark in chart.marks)
    assert [tick.label for tick in chart.x_ticks] == ["20:00"]


def test_a_wide_range_is_drawn_by_its_logarithm() -> None:
    subs = [_sub(0, 100.0), _sub(1, 1000.0), _sub(2, 10000.0)]
    marks = filter_marks({"R"})
    chart = time_chart(
        subs, lambda sub: sub.fwhm_px, title="sky", unit="ADU", marks=marks, wide=True
    )
    assert chart is not None
    assert chart.unit == "ADU, logarithmic"
    first, second, third = chart.marks
    assert first.y - second.y == pytest.approx(second.y - third.y, abs=0.2)
    assert [tick.label for tick in chart.y_ticks] == [
        "100", "200", "500", "1000", "2000", "5000", "10000",
    ]  # fmt: skip
    assert chart.beyond == 0


def test_a_narrow_range_stays_linear() -> None:
    subs = [_sub(0, 100.0), _sub(1, 300.0)]
    marks = filter_marks({"R"})
    chart = time_chart(
        subs, lambda sub: sub.fwhm_px, title="sky", unit="ADU", marks=marks, wide=True
    )
    assert chart is not None
    assert chart.unit == "ADU"
