"""The night as a ribbon: one lane per filter, one cell per sub, what happened below."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from stackbench.export.axes import Tick, TimeAxis, exposure_spans, in_utc, time_axis
from stackbench.export.hues import FilterMark
from stackbench.export.lessons import FindingEntry
from stackbench.export.night import FrameEntry

_TOP, _SKY, _LANE, _NOTE, _AXIS = 4.0, 16.0, 24.0, 18.0, 24.0
_LEAST = 3.0  # the width of a cell at least, px
_NUMBER = 22.0  # the room for a finding's number, right of its stretch, px
# the Sun's altitude at which twilight is over: astronomical, nautical, civil
_TWILIGHTS = ((-18.0, "dark"), (-12.0, "astronomical twilight"), (-6.0, "nautical twilight"))
_DAY = "civil twilight or day"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One sub: its place in its lane, how it was judged, what it says when pointed at."""

    x: float
    width: float
    rejected: bool
    by_hand: bool
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """The subs of one filter, `y` px from the top."""

    y: float
    name: str | None
    mark: FilterMark
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A time in which the sky was as `label` says; `level` is 0 dark to 3 day."""

    x: float
    width: float
    level: int
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """The time of a finding, with its number in the list, `y` px from the top."""

    x: float
    width: float
    y: float
    number: int
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Ribbon:
    """All of it, in px of a picture 960 wide and `height` high."""

    height: float
    lanes: tuple[Lane, ...]
    sun: tuple[Stretch, ...]
    moon: tuple[Stretch, ...]
    notes: tuple[Note, ...]
    x_ticks: tuple[Tick, ...]
    pauses: tuple[float, ...]


def night_ribbon(
    lights: Sequence[FrameEntry],
    *,
    marks: Mapping[str | None, FilterMark],
    findings: Sequence[FindingEntry] = (),
) -> Ribbon | None:
    """Lay out the ribbon of a night.

    Parameters
    ----------
    lights : sequence of FrameEntry
        In the order of time; those without a time are left out.
    marks : mapping
        How each filter is drawn, in the order of the lanes.
    findings : sequence of FindingEntry
        Numbered from 1; those without a time are left out.

    Returns
    -------
    Ribbon or None
        None when no light has a time.
    """
    axis = time_axis(lights)
    if axis is None:
        return None
    timed = [light for light in lights if light.time is not None]
    spans = [
        (axis.place(start), axis.place(end), light)
        for light, (start, end) in zip(timed, exposure_spans(timed), strict=True)
    ]
    sun = _stretches(spans, _sun, axis.pauses)
    moon = tuple(one for one in _stretches(spans, _moon, axis.pauses) if one.level)
    y = _TOP + _SKY * bool(sun) + _SKY * bool(moon)
    lanes = []
    for name, mark in marks.items():
        cells = tuple(_cell(x, end, light) for x, end, light in spans if light.filter == name)
        if cells:
            lanes.append(Lane(y=y, name=name, mark=mark, cells=cells))
            y += _LANE
    first, last = spans[0][0], max(end for _, end, _ in spans)
    notes = _notes(findings, axis, first=first, last=last, top=y)
    return Ribbon(
        height=max((note.y + _NOTE for note in notes), default=y) + _AXIS,
        lanes=tuple(lanes),
        sun=sun,
        moon=moon,
        notes=tuple(notes),
        x_ticks=axis.ticks(),
        pauses=axis.pauses,
    )


def _notes(
    findings: Sequence[FindingEntry], axis: TimeAxis, *, first: float, last: float, top: float
) -> tuple[Note, ...]:
    """Place the findings below the lanes, in as many rows as keep them apart."""
    notes: list[Note] = []
    ends: list[float] = []  # of what each row holds so far
    for number, finding in enumerate(findings, start=1):
        if finding.start is None:
            continue
        begin = axis.place(in_utc(finding.start))
        end = axis.place(in_utc(finding.end or finding.start))
        if end < first or begin > last:  # bias frames of another hour
            continue
        x, end = max(begin, first), min(end, last)
        width = round(max(end - x, _LEAST), 1)
        row = next((n for n, taken in enumerate(ends) if taken <= x), len(ends))
        ends[row : row + 1] = [x + width + _NUMBER]
        notes.append(
            Note(x=x, width=width, y=top + _NOTE * row, number=number, label=finding.title)
        )
    return tuple(notes)


def _cell(x: float, end: float, light: FrameEntry) -> Cell:
    verdict = {"keep": "kept", "reject": "rejected"}.get(light.verdict or "", "not judged")
    by_hand = light.by == "hand"
    told = f"{light.path.name}: {verdict}{' by hand' if by_hand else ''}"
    # a gap of one px tells neighbours apart
    return Cell(
        x=x,
        width=round(max(end - x - 1, _LEAST), 1),
        rejected=light.verdict == "reject",
        by_hand=by_hand,
        label="; ".join((told, *light.reasons)),
    )


def _sun(light: FrameEntry) -> tuple[int, str] | None:
    altitude = light.sun_altitude_deg
    if altitude is None:
        return None
    for level, (limit, label) in enumerate(_TWILIGHTS):
        if altitude <= limit:
            return level, label
    return len(_TWILIGHTS), _DAY


def _moon(light: FrameEntry) -> tuple[int, str] | None:
    if light.moon_altitude_deg is None:
        return None
    up = light.moon_altitude_deg > 0
    return int(up), "Moon up" if up else "Moon down"


def _stretches(
    spans: Sequence[tuple[float, float, FrameEntry]],
    state: Callable[[FrameEntry], tuple[int, str] | None],
    pauses: Sequence[float],
) -> tuple[Stretch, ...]:
    """Join subs under the same sky, each up to the start of the next, but not over a pause."""
    found: list[Stretch] = []
    for index, (x, end, light) in enumerate(spans):
        now = state(light)
        if now is None:
            continue
        after = spans[index + 1][0] if index + 1 < len(spans) else end
        until = end if any(x < pause < after for pause in pauses) else max(after, end)
        level, label = now
        before = found[-1] if found else None
        if before is not None and before.level == level and before.x + before.width >= x - 1:
            found[-1] = replace(before, width=round(max(until - before.x, before.width), 1))
        else:
            width = round(max(until - x, _LEAST), 1)
            found.append(Stretch(x=x, width=width, level=level, label=label))
    return tuple(found)
