"""How a night stands against earlier ones with the same setup and filter."""

import math
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from stackbench.export.lessons import StandingEntry
from stackbench.export.night import FrameEntry, Night, ProblemEntry
from stackbench.export.summary import median_of
from stackbench.frames.records import Problem
from stackbench.job.history import GroupNight, History, HistoryError
from stackbench.review.typical import spread

_NIGHTS = 30


def _percent(share: float | None) -> str:
    return "unknown" if share is None else f"{100 * share:.0f} %"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    """A measure that is better when less, how its value is told, and what better means."""

    name: str
    told: Callable[[GroupNight], str]
    better: str


_MEASURES = (
    _Measure(
        name="fwhm_px",
        told=lambda one: (
            f"FWHM {one.fwhm_px:.2f} px"
            + (f" ({one.fwhm_arcsec:.2f}″)" if one.fwhm_arcsec is not None else "")
        ),
        better="better than",
    ),
    _Measure(
        name="sky_adu_s", told=lambda one: f"sky {one.sky_adu_s:.3g} ADU/s", better="darker than"
    ),
    _Measure(
        name="transparency_scatter",
        told=lambda one: f"transparency scatter {_percent(one.transparency_scatter)}",
        better="steadier than",
    ),
    _Measure(
        name="rejected_share",
        told=lambda one: f"{_percent(one.rejected_share)} rejected",
        better="less than on",
    ),
)


def with_history(history: History | None, night: Night) -> tuple[Night, tuple[Problem, ...]]:
    """Keep a night in the history, and write into its record how it stands.

    Parameters
    ----------
    history : History or None
        The person's; None neither reads nor keeps.
    night : Night
        The record of a run.

    Returns
    -------
    Night
        The same with its standings, or with the problem among its problems.
    tuple of Problem
        Why the history could not be used, if it could not.
    """
    if history is None:
        return night, ()
    tonight = group_nights(night.frames)
    try:
        history.keep(tonight)
        known = history.nights()
    except HistoryError as error:
        problem = Problem(
            what="This night is not compared with earlier ones",
            why=str(error),
            remedy="mend the history and run again; everything else is done",
        )
        entry = ProblemEntry(what=problem.what, why=problem.why, remedy=problem.remedy)
        return replace(night, problems=(*night.problems, entry)), (problem,)
    return replace(night, standings=standings(tonight, known)), ()


def group_nights(frames: Iterable[FrameEntry]) -> tuple[GroupNight, ...]:
    """Sum up the lights of a record by night, target, setup and filter.

    Parameters
    ----------
    frames : iterable of FrameEntry
        Those that are no lights, not judged, or of an unknown night are left out.

    Returns
    -------
    tuple of GroupNight
        In the order of night, target, setup and filter.
    """
    groups: dict[tuple[str, str, str, str], list[FrameEntry]] = {}
    for frame in frames:
        if frame.kind == "light" and frame.verdict is not None and frame.night is not None:
            names = (frame.target or "", frame.setup or "", frame.filter or "")
            groups.setdefault((frame.night, *names), []).append(frame)
    return tuple(_group_night(key, groups[key]) for key in sorted(groups))


def standings(
    tonight: Sequence[GroupNight], known: Sequence[GroupNight]
) -> tuple[StandingEntry, ...]:
    """Compare nights with the last thirty before them.

    Parameters
    ----------
    tonight : sequence of GroupNight
        The nights to compare.
    known : sequence of GroupNight
        All that is kept; only nights before, with the same setup and filter, count,
        whatever their target. Several targets of one night count once, by
        their median.

    Returns
    -------
    tuple of StandingEntry
        One for each measure that is known.
    """
    return tuple(
        entry
        for one in tonight
        for measure in _MEASURES
        if (entry := _standing(one, measure, known)) is not None
    )


def _standing(
    one: GroupNight, measure: _Measure, known: Sequence[GroupNight]
) -> StandingEntry | None:
    value: float | None = getattr(one, measure.name)
    if value is None:
        return None
    nights: dict[str, list[float]] = {}
    for other in known:
        earlier = (other.setup, other.filter) == (one.setup, one.filter) and other.night < one.night
        if earlier and (theirs := getattr(other, measure.name)) is not None:
            nights.setdefault(other.night, []).append(theirs)
    values = [statistics.median(nights[night]) for night in sorted(nights)[-_NIGHTS:]]
    worse = sum(theirs > value for theirs in values)
    told = measure.told(one)
    if values:
        others = f"{worse or 'any'} of {len(values)} nights"
        if len(values) == 1:
            others = "the one earlier night"
        told += f", {'' if worse else 'not '}{measure.better} {others}"
    return StandingEntry(
        night=one.night,
        target=one.target or None,
        setup=one.setup or None,
        filter=one.filter or None,
        measure=measure.name,
        value=value,
        typical=statistics.median(values) if values else None,
        nights=len(values),
        better_than=worse,
        text=told,
    )


def _group_night(key: tuple[str, str, str, str], lights: Sequence[FrameEntry]) -> GroupNight:
    night, target, setup, name = key
    kept = [light for light in lights if light.verdict == "keep"]
    clear = [
        light.transparency
        for light in lights
        if light.transparency is not None and math.isfinite(light.transparency)
    ]
    middle = statistics.median(clear) if clear else 0.0
    return GroupNight(
        night=night,
        target=target,
        setup=setup,
        filter=name,
        subs=len(kept),
        hours=sum(light.exposure_s or 0.0 for light in kept) / 3600,
        fwhm_px=median_of(light.fwhm_px for light in kept),
        fwhm_arcsec=median_of(light.fwhm_arcsec for light in kept),
        sky_adu_s=median_of(
            light.sky_adu / light.exposure_s if light.sky_adu is not None else None
            for light in kept
            if light.exposure_s
        ),
        transparency_scatter=spread(clear) / middle if len(clear) > 1 and middle > 0 else None,
        rejected_share=1 - len(kept) / len(lights),
    )
