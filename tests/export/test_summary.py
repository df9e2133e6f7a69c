"""The numbers at the head of the report."""

from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

import pytest

from stackbench.export.night import FrameEntry, Night
from stackbench.export.summary import lights_of, summarise
from tests.support.night_records import invented_night


def test_every_light_is_counted_once(tmp_path: Path) -> None:
    night = invented_night(tmp_path)
    summary = summarise(night)
    lights = [frame for frame in night.frames if frame.kind == "light"]
    assert summary.kept + summary.rejected == len(lights)
    assert summary.kept == sum(frame.verdict == "keep" for frame in lights)
    assert summary.kept_s == 300.0 * summary.kept
    assert summary.rejected_s == 300.0 * summary.rejected
    assert [entry.filter for entry in summary.filters] == ["L", "B", "G", "R", "Ha"]
    assert summary.evenings == ("2031-02-03",)
    assert summary.targets == ("Veil of Nowhere",)
    assert dict(summary.causes) == {"transparency": 3, "eccentricity": 1}


def _light(name: str, **facts: object) -> FrameEntry:
    return FrameEntry(path=PurePosixPath(name), kind="light", **facts)  # type: ignore[arg-type]


def test_the_unknown_is_neither_counted_nor_zero(tmp_path: Path) -> None:
    night = Night(
        out=tmp_path,
        frames=(
            _light("/a", verdict="keep", exposure_s=None, fwhm_px=None),
            _light("/b", verdict="keep", exposure_s=60.0, fwhm_px=2.0),
            _light("/c", verdict="keep", exposure_s=60.0, fwhm_px=float("nan")),
            _light("/d", verdict=None, exposure_s=60.0),
            _light("/e", verdict="reject", by="hand", reasons=("told so",)),
        ),
    )
    (entry,) = summarise(night).filters
    assert (entry.kept, entry.rejected, entry.unjudged) == (3, 1, 1)
    assert entry.kept_s == 120.0
    assert entry.fwhm_px == pytest.approx(2.0)
    assert entry.fwhm_arcsec is None
    assert summarise(night).causes == (("by hand", 1),)
    assert summarise(night).evenings == ()


def test_lights_come_in_the_order_of_time() -> None:
    lights = (
        _light("/z"),
        _light("/b", time=datetime(2031, 1, 2, 1, tzinfo=UTC)),
        _light("/a", time=datetime(2031, 1, 1, 23)),  # noqa: DTZ001 (counts as UTC)
    )
    night = Night(out=Path("/out"), frames=lights)
    assert [light.path.as_posix() for light in lights_of(night)] == ["/a", "/b", "/z"]
    assert summarise(night).evenings == ("2031-01-01",)


def test_an_empty_night_has_a_summary() -> None:
    summary = summarise(Night(out=Path("/out")))
    assert (summary.kept, summary.filters, summary.causes) == (0, (), ())


def test_causes_that_are_as_frequent_come_by_name(tmp_path: Path) -> None:
    reasons = ("star count 3 is below 5", "FWHM 9 px is above 4 px", "sky 9 is above 4", "cloud")
    twice = _light("/b", verdict="reject", by="rule", reasons=("sky 8 is above 4",))
    night = Night(
        out=tmp_path, frames=(_light("/a", verdict="reject", by="rule", reasons=reasons), twice)
    )
    told = [cause for cause, _ in summarise(night).causes]
    # the same in every run, so that a report made again is the same to the byte
    assert told == ["sky", "cloud", "FWHM", "star count"]
