"""A night in a few numbers: what was kept, what was not, and why."""

import math
import re
import statistics
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from stackbench.export.hues import FilterMark, filter_marks
from stackbench.export.night import FrameEntry, Night

_EVENING = timedelta(hours=12)  # where the site is unknown, evenings are by UTC


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterSummary:
    """The lights of one target in one filter: numbers, total exposures, medians of the kept."""

    target: str | None
    setup: str | None
    filter: str | None
    mark: FilterMark
    kept: int
    rejected: int
    unjudged: int
    kept_s: float
    rejected_s: float
    fwhm_px: float | None
    fwhm_arcsec: float | None
    eccentricity: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSummary:
    """The whole night: its dates, its filters, and the causes of rejection with their counts."""

    evenings: tuple[str, ...]
    targets: tuple[str, ...]
    filters: tuple[FilterSummary, ...]
    causes: tuple[tuple[str, int], ...]
    kept: int
    rejected: int
    kept_s: float
    rejected_s: float


def summarise(night: Night) -> NightSummary:
    """Count and total the lights of a night.

    Parameters
    ----------
    night : Night
        The record of a run.

    Returns
    -------
    NightSummary
        Filters in the order of target, setup and wavelength. Frames without
        a known exposure count as frames, and add nothing to the time.
    """
    lights = lights_of(night)
    marks = filter_marks(light.filter for light in lights)
    groups: dict[tuple[str, str, int, str | None], list[FrameEntry]] = {}
    for light in lights:
        key = (light.target or "", light.setup or "", marks[light.filter].order, light.filter)
        groups.setdefault(key, []).append(light)
    ordered = sorted(groups, key=lambda key: (*key[:3], key[3] or ""))
    filters = tuple(_summary(groups[key], marks[key[3]]) for key in ordered)
    evenings = {one for light in lights if (one := _evening_of(light))}
    causes = Counter(cause for light in lights for cause in _causes(light))
    return NightSummary(
        evenings=tuple(sorted(evenings)),
        targets=tuple(sorted({light.target for light in lights if light.target})),
        filters=filters,
        # equal counts by name: a set has another order in every run
        causes=tuple(sorted(causes.items(), key=lambda one: (-one[1], one[0].casefold()))),
        kept=sum(entry.kept for entry in filters),
        rejected=sum(entry.rejected for entry in filters),
        kept_s=sum(entry.kept_s for entry in filters),
        rejected_s=sum(entry.rejected_s for entry in filters),
    )


def evenings_of_findings(night: Night) -> tuple[str, ...]:
    """Tell on which evening each finding was, where hours alone would not say.

    Parameters
    ----------
    night : Night
        The record of a run.

    Returns
    -------
    tuple of str
        The date on which the finding's night began, one for each finding; empty where all
        lights are of one night, or the finding's own of several.
    """
    by_path = {light.path: evening for light in lights_of(night) if (evening := _evening_of(light))}
    if len(set(by_path.values())) < 2:
        return ("",) * len(night.findings)
    concerned = ({by_path.get(path, "") for path in one.subs} for one in night.findings)
    return tuple(ones.pop() if len(ones) == 1 else "" for ones in concerned)


def lights_of(night: Night) -> tuple[FrameEntry, ...]:
    """Pick the lights of a night, in the order of time.

    Parameters
    ----------
    night : Night
        The record of a run.

    Returns
    -------
    tuple of FrameEntry
        Those without a time come last, by name.
    """
    lights = [frame for frame in night.frames if frame.kind == "light"]

    def _order(light: FrameEntry) -> tuple[bool, float, str]:
        if light.time is None:
            return True, 0.0, light.path.as_posix()
        time = light.time if light.time.tzinfo else light.time.replace(tzinfo=UTC)
        return False, time.timestamp(), light.path.as_posix()

    return tuple(sorted(lights, key=_order))


def median_of(values: Iterable[float | None]) -> float | None:
    """Take the median of what is known.

    Parameters
    ----------
    values : iterable of float or None
        Unknown ones, None or NaN, are passed over.

    Returns
    -------
    float or None
        None when nothing is known.
    """
    known = _known(values)
    return float(statistics.median(known)) if known else None


def _evening_of(light: FrameEntry) -> str | None:
    if light.time is None:
        return None
    return light.night or _utc_evening(light.time)


def _utc_evening(time: datetime) -> str:
    return f"{(time if time.tzinfo is None else time.astimezone(UTC)) - _EVENING:%Y-%m-%d}"


def _summary(lights: list[FrameEntry], mark: FilterMark) -> FilterSummary:
    kept = [light for light in lights if light.verdict == "keep"]
    rejected = [light for light in lights if light.verdict == "reject"]
    first = lights[0]
    return FilterSummary(
        target=first.target,
        setup=first.setup,
        filter=first.filter,
        mark=mark,
        kept=len(kept),
        rejected=len(rejected),
        unjudged=len(lights) - len(kept) - len(rejected),
        kept_s=_total(light.exposure_s for light in kept),
        rejected_s=_total(light.exposure_s for light in rejected),
        fwhm_px=median_of(light.fwhm_px for light in kept),
        fwhm_arcsec=median_of(light.fwhm_arcsec for light in kept),
        eccentricity=median_of(light.eccentricity for light in kept),
    )


def _known(values: Iterable[float | None]) -> list[float]:
    return [value for value in values if value is not None and math.isfinite(value)]


def _total(values: Iterable[float | None]) -> float:
    return math.fsum(_known(values))


def _causes(light: FrameEntry) -> set[str]:
    """Name the causes of a rejection: each reason up to its first figure."""
    if light.verdict != "reject":
        return set()
    if light.by == "hand":
        return {"by hand"}
    return {
        re.split(r"[\d(:;,]", reason, maxsplit=1)[0].strip() or reason for reason in light.reasons
    }
