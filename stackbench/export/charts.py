"""Where the marks of a small chart of one measure against time go."""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from stackbench.export.axes import (
    BOTTOM,
    HEIGHT,
    TOP,
    Tick,
    ValueAxis,
    exposure_spans,
    time_axis,
)
from stackbench.export.hues import FilterMark
from stackbench.export.lessons import LimitEntry
from stackbench.export.night import FrameEntry

_LINE = 12.0  # the least distance of two labels beside the chart, px
_NEAR = 0.4, 1.6  # times the least and the largest value
_LABEL = 11  # letters of a label at most


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One sub in a chart: where it sits, how it looks, what it says when pointed at."""

    x: float
    y: float
    hue: str
    shape: str
    rejected: bool
    beyond: bool
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitLine:
    """A limit across a chart at `y`, named at `label_y`; `told` says it when pointed at."""

    y: float
    label_y: float
    label: str
    hue: str
    told: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One measure of all subs against time, in px of a 960 × 190 picture.

    `pauses` are the x where a long pause was left out; `beyond` counts the
    marks that lie outside the scale and sit at its edge, and `far_limits` says
    which limits do.
    """

    title: str
    unit: str
    marks: tuple[Mark, ...]
    limits: tuple[LimitLine, ...]
    far_limits: tuple[str, ...]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    pauses: tuple[float, ...]
    beyond: int


def time_chart(
    subs: Sequence[FrameEntry],
    measure: Callable[[FrameEntry], float | None],
    *,
    title: str,
    unit: str,
    marks: Mapping[str | None, FilterMark],
    wide: bool = False,
    limits: Iterable[LimitEntry] = (),
) -> Chart | None:
    """Lay out a chart of one measure of the subs against time.

    Parameters
    ----------
    subs : sequence of FrameEntry
        The lights; those without a time or without the measure are left out.
    measure : callable
        From a sub to the measure, None or NaN where unknown.
    title, unit : str
        What is drawn, and its unit (empty for none).
    marks : mapping
        How each filter is drawn.
    wide : bool
        Take a logarithmic scale if the values span a factor of eight or
        more, as the sky through broad and narrow filters does.
    limits : iterable of LimitEntry
        The rules' limits of this measure.

    Returns
    -------
    Chart or None
        None when fewer than two subs have the measure.
    """
    points = [
        (start + (end - start) / 2, float(value), sub)
        for sub in subs
        for start, end in exposure_spans((sub,))
        if (value := measure(sub)) is not None and math.isfinite(value)
    ]
    axis = time_axis(subs)
    if len(points) < 2 or axis is None:
        return None
    known = [value for _, value, _ in points]
    limits = [limit for limit in limits if limit.filter in marks and math.isfinite(limit.limit)]
    near = [limit.limit for limit in limits if _is_near(limit.limit, known)]
    values = ValueAxis(known, also=near, wide=wide)

    def _mark(middle: datetime, value: float, sub: FrameEntry) -> Mark:
        rejected = sub.verdict == "reject"
        told = f"{sub.path.name}, {middle:%H:%M} UTC, {title} {value:.4g}{unit and ' ' + unit}"
        return Mark(
            x=axis.place(middle),
            y=values.place(value),
            hue=marks[sub.filter].hue,
            shape=marks[sub.filter].shape,
            rejected=rejected,
            beyond=not values.holds(value),
            label=f"{told}: rejected" if rejected else told,
        )

    drawn = tuple(_mark(*point) for point in points)
    return Chart(
        title=title,
        unit=", ".join(word for word in (unit, values.kind) if word),
        marks=tuple(sorted(drawn, key=lambda mark: mark.x)),
        limits=_lines(limits, values, marks, unit),
        far_limits=tuple(
            f"{limit.filter or '–'} {limit.bad} {limit.limit:.4g}"
            for limit in sorted(limits, key=lambda limit: marks[limit.filter].order)
            if not values.holds(limit.limit)
        ),
        x_ticks=axis.ticks(),
        y_ticks=values.ticks(),
        pauses=axis.pauses,
        beyond=sum(mark.beyond for mark in drawn),
    )


def _is_near(limit: float, values: Sequence[float]) -> bool:
    """Tell whether a limit may be drawn without flattening the values."""
    return abs(limit) <= 1 or _NEAR[0] * min(values) <= limit <= _NEAR[1] * max(values)


def _lines(
    limits: Sequence[LimitEntry],
    values: ValueAxis,
    marks: Mapping[str | None, FilterMark],
    unit: str,
) -> tuple[LimitLine, ...]:
    """Draw limits at one height as one line, and keep their names apart."""
    by_height: dict[float, list[LimitEntry]] = {}
    for limit in limits:
        if values.holds(limit.limit):
            by_height.setdefault(values.place(limit.limit), []).append(limit)
    lines: list[LimitLine] = []
    label_y = TOP - _LINE
    for y, here in sorted(by_height.items()):
        names = sorted({one.filter for one in here}, key=lambda name: marks[name].order)
        label = "all" if len(names) == len(marks) > 1 else " ".join(name or "–" for name in names)
        label_y = max(y, label_y + _LINE)
        told = sorted({f"{one.bad} {one.limit:.4g}{unit and ' ' + unit}" for one in here})
        lines.append(
            LimitLine(
                y=y,
                label_y=label_y,
                label=label if len(label) <= _LABEL else f"{label[: _LABEL - 1]}…",
                hue=marks[names[0]].hue if len(names) == 1 else "var(--muted)",
                told=f"{label}: rejected {', '.join(told)}",
            )
        )
    # names pushed below the chart would be cut off
    over = max(0.0, label_y - (HEIGHT - BOTTOM))
    return tuple(replace(line, label_y=line.label_y - over) for line in lines)
