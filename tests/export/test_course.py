"""Every known measure is drawn with its limits, or stated where it did not change."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import PurePosixPath
from typing import Literal

from stackbench.export.axes import BOTTOM, HEIGHT, TOP
from stackbench.export.course import course_of
from stackbench.export.hues import filter_marks
from stackbench.export.lessons import LimitEntry
from stackbench.export.night import FrameEntry

_START = datetime(2031, 2, 3, 20, 0, tzinfo=UTC)
_SUBS = [
    FrameEntry(
        path=PurePosixPath(f"/n/{n}.fits"),
        kind="light",
        filter=("L", "Ha")[n % 2],
        time=_START + timedelta(minutes=10 * n),
        exposure_s=300.0,
        fwhm_px=3.0 + 0.05 * n,
        sky_adu=100.0 + n,
        temperature_c=-10.0,
        focus_position=12000.0 + n // 3,
    )
    for n in range(6)
]
_MARKS = filter_marks(["L", "Ha"])


def _limit(
    name: str, value: float, *, measure: str = "fwhm_px", bad: Literal["above", "below"] = "above"
) -> LimitEntry:
    return LimitEntry(
        target="a", setup="b", filter=name, measure=measure, limit=value, bad=bad
    )  # fmt: skip


def test_what_is_known_is_drawn_and_what_never_changes_is_stated() -> None:
    course = course_of(_SUBS, marks=_MARKS)
    assert [chart.title for chart in course.charts] == ["FWHM", "sky", "focus position"]
    assert course.constants == ("sensor temperature −10 °C",)
    # a regulated sensor's flicker is not worth a chart
    flickering = [replace(sub, temperature_c=-10.0 + 0.1 * (n % 3)) for n, sub in enumerate(_SUBS)]
    assert course_of(flickering, marks=_MARKS).constants == ("sensor temperature −10 to −9.8 °C",)
    warming = [replace(sub, temperature_c=-10.0 + n) for n, sub in enumerate(_SUBS)]
    temperature = course_of(warming, marks=_MARKS).charts[2]
    assert temperature.y_ticks[0].label == "−10"
    # all charts share one time axis
    assert len({chart.x_ticks for chart in course.charts}) == 1
    assert len({tuple(mark.x for mark in chart.marks) for chart in course.charts}) == 1


def test_limits_are_drawn_where_they_lie_and_named() -> None:
    course = course_of(_SUBS, marks=_MARKS, limits=[_limit("L", 4.2), _limit("Ha", 4.1)])
    fwhm = course.charts[0]
    low, high = sorted(fwhm.limits, key=lambda line: -line.y)
    assert (low.label, high.label) == ("Ha", "L")
    assert low.told == "Ha: rejected above 4.1 px"
    highest = min(mark.y for mark in fwhm.marks)
    assert TOP <= high.y < low.y < highest < HEIGHT - BOTTOM
    # the names do not lie over each other though the lines nearly do
    assert low.label_y - high.label_y >= 12
    assert low.hue != high.hue
    assert course.charts[1].limits == ()


def test_one_limit_for_all_is_one_line() -> None:
    course = course_of(_SUBS, marks=_MARKS, limits=[_limit("L", 4.0), _limit("Ha", 4.0)])
    (line,) = course.charts[0].limits
    assert line.label == "all"


def test_a_far_limit_does_not_flatten_the_values_but_is_told() -> None:
    far = _limit("L", 400.0, measure="sky_adu")
    stranger = _limit("Q", 101.0, measure="sky_adu")
    course = course_of(_SUBS, marks=_MARKS, limits=[far, stranger])
    sky = course.charts[1]
    assert sky.far_limits == ("L above 400",)
    assert sky.limits == ()
    assert sky.marks[0].y - sky.marks[-1].y > 80


def test_names_of_many_limits_stay_in_the_picture() -> None:
    names = [f"filter {n}" for n in range(9)]
    subs = [
        FrameEntry(
            path=PurePosixPath(f"/n/{n}.fits"),
            kind="light",
            filter=name,
            time=_START + timedelta(minutes=10 * n),
            transparency=0.9 + 0.01 * n,
        )
        for n, name in enumerate(names)
    ]
    limits = [
        _limit(name, 0.5 + 0.004 * n, measure="transparency", bad="below")
        for n, name in enumerate(names)
    ]
    (chart,) = course_of(subs, marks=filter_marks(names), limits=limits).charts
    places = sorted(line.label_y for line in chart.limits)
    assert len(places) > 3
    assert max(places) <= HEIGHT - BOTTOM
    assert all(b - a >= 12 for a, b in pairwise(places))
