"""Focus that drifts with temperature or time, and when it was set anew."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

from stackbench.frames.words import duration
from stackbench.review.findings import MOMENT, Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.series import (
    Floats,
    LinearFit,
    begin_of,
    clock,
    common_errors,
    end_of,
    fit_linear,
    hours_of,
    in_time,
)

_LEAST_SUBS = 10
# Seeing changes FWHM by more than this without any drift of focus.
_LEAST_CHANGE = 0.12
_LEAST_CHANGE_PX = 0.3
_SIGNIFICANT = 5.0
# Without a refocus that helped, the change must be so many times larger.
_UNAIDED = 2.5
# Trails widen stars too; focus leaves them round.
_MOST_ELONGATED = 0.12
# A sub whose eccentricity lies so far above the night's is trailed for a while only,
# and its FWHM says nothing of the focus.
_TRAILED_ABOVE = 0.25
# A change of temperature smaller than this cannot be told from its noise, °C.
_LEAST_CELSIUS = 1.0
# A refocus shows as a drop of FWHM by this share at least, lasting some subs.
_DROP = 0.12
_SUBS_AROUND = 4


def focus_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Look for focus that drifted while stars stayed round.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup, all filters; times are needed.

    Returns
    -------
    list of Finding
        None or one, with slope, refocus times and how long focus holds.
    """
    ordered = _untrailed([one for one in in_time(subs) if one.measures.fwhm_px is not None])
    if len(ordered) < _LEAST_SUBS:
        return []
    fwhm = np.array([one.measures.fwhm_px or math.nan for one in ordered])
    relative = _per_filter(ordered, fwhm)
    breaks = refocus_places(ordered, relative)
    drifts = [
        drift
        for name in ("temperature", "time")
        if (drift := _drift(ordered, fwhm, breaks, name)) is not None
    ]
    if not drifts or _eccentricity_change(ordered) > _MOST_ELONGATED:
        return []
    # temperature is the usual cause: it goes first unless time explains clearly better
    best = drifts[0]
    if len(drifts) == 2 and drifts[1].fit.scatter < 0.9 * drifts[0].fit.scatter:
        best = drifts[1]
    return [_finding(ordered, best, breaks)]


def _untrailed(subs: Sequence[Observation]) -> list[Observation]:
    """Leave out subs that are far more elongated than their night."""
    known = [v for one in subs if (v := one.measures.eccentricity) is not None]
    if not known:
        return list(subs)
    most = float(np.median(known)) + _TRAILED_ABOVE
    return [one for one in subs if (one.measures.eccentricity or 0.0) <= most]


def refocus_places(subs: Sequence[Observation], relative: Floats) -> list[int]:
    """Tell before which subs the focus was set anew.

    Parameters
    ----------
    subs : sequence of Observation
        In order of time.
    relative : ndarray, shape (n,)
        FWHM over the median of its filter.

    Returns
    -------
    list of int
        Indices of the first sub after each refocus: where FWHM drops by 12 %
        or more between the subs before and after, at the place of the largest drop.
    """
    found: list[int] = []
    for index in range(2, len(subs) - 1):
        before = relative[max(0, index - _SUBS_AROUND) : index]
        after = relative[index : index + _SUBS_AROUND]
        # every sub after must be sharper than every one just before, bar one
        drop = float(np.median(before[-3:]) - np.median(after[:3]))
        apart = float(np.sort(before)[0:2].max() - np.sort(after)[-1]) if len(before) > 1 else -1.0
        if drop / float(np.median(before[-3:])) < _DROP or apart < 0:
            continue
        step = float(relative[index - 1] - relative[index])
        if found and index - found[-1] < _SUBS_AROUND:
            last = found[-1]
            if step > float(relative[last - 1] - relative[last]):
                found[-1] = index
            continue
        found.append(index)
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drift:
    """FWHM against temperature (px per °C) or time (px per hour)."""

    name: str
    slope: float
    error: float
    change_px: float
    hours: float
    fit: LinearFit
    airmass_alike: bool


def _per_filter(subs: Sequence[Observation], values: Floats) -> Floats:
    out = np.empty_like(values)
    names = np.array([str(one.filter) for one in subs])
    for name in set(names.tolist()):
        mine = names == name
        out[mine] = values[mine] / np.median(values[mine])
    return out


def _drift(
    subs: Sequence[Observation], fwhm: Floats, breaks: Sequence[int], name: str
) -> _Drift | None:
    """Fit FWHM by the change since the last refocus; None when there is no clear rise."""
    along = _temperatures(subs) if name == "temperature" else hours_of(subs)
    if along is None:
        return None
    since = np.empty_like(along)
    edges = [0, *breaks, len(subs)]
    for start, stop in pairwise(edges):
        since[start:stop] = np.abs(along[start:stop] - along[start])
    if name == "temperature" and np.max(since) < _LEAST_CELSIUS:
        return None
    names = sorted({str(one.filter) for one in subs})
    columns = [np.array([float(str(one.filter) == n) for one in subs]) for n in names]
    columns.append(since)
    seeing = _seeing_column(subs)
    if seeing is not None:
        columns.append(seeing)
    fit = fit_linear(columns, fwhm)
    if fit is None:
        return None
    at = len(names)
    residuals = fwhm - np.column_stack(columns) @ fit.coefficients
    slope, error = float(fit.coefficients[at]), float(common_errors(fit, residuals)[at])
    change = slope * float(np.max(since))
    enough = max(_LEAST_CHANGE_PX, _LEAST_CHANGE * float(np.median(fwhm)))
    # Seeing that wanders slowly looks like a drift; but it does not fall at once
    # when the focus is set, so that a refocus that helped is proof. Without one the
    # rise must be large.
    if breaks:
        clear = slope > _SIGNIFICANT * float(fit.errors[at]) and change > enough
    else:
        clear = slope > _SIGNIFICANT * error and change > _UNAIDED * enough
    if not clear:
        return None
    alike = seeing is not None and abs(float(np.corrcoef(seeing, since)[0, 1])) > 0.9
    longest = max(float(np.ptp(hours_of(subs)[a:b])) for a, b in pairwise(edges))
    return _Drift(
        name=name,
        slope=slope,
        error=error,
        change_px=change,
        hours=longest,
        fit=fit,
        airmass_alike=alike,
    )


def _temperatures(subs: Sequence[Observation]) -> Floats | None:
    values = [one.ambient_temperature_c for one in subs]
    known = [value for value in values if value is not None]
    return np.array(known) if len(known) == len(values) else None


def _seeing_column(subs: Sequence[Observation]) -> Floats | None:
    """Give airmass^0.6, with which seeing goes, where it is known and changes."""
    values = [one.airmass for one in subs]
    known = [value for value in values if value is not None]
    if len(known) < len(values):
        return None
    column = np.array(known) ** 0.6
    return column if np.ptp(column) > 0.05 else None


def _finding(subs: Sequence[Observation], drift: _Drift, breaks: Sequence[int]) -> Finding:
    unit = "px per °C" if drift.name == "temperature" else "px per hour"
    rounder = _eccentricity_change(subs)
    typical = float(np.median([one.measures.fwhm_px or math.nan for one in subs]))
    # focus holds until FWHM has grown by a tenth
    rate = drift.change_px / drift.hours if drift.hours else math.inf
    holds_h = 0.1 * typical / rate
    times: list[datetime | None] = [begin_of(subs[n]) for n in breaks]
    evidence = [
        f"FWHM grows by {drift.slope:.2f} ± {drift.error:.2f} {unit}, "
        f"{drift.change_px:.1f} px between two settings of the focus",
        # adding 0 makes a rounded −0 a plain one
        f"stars stay round: eccentricity changes by {round(rounder, 2) + 0:.2f}".replace("-", "−"),
        f"focus holds for {_about(holds_h)} until FWHM has grown by a tenth",
    ]
    if times:
        said = ", ".join(map(clock, times))
        evidence.append(f"sharper at once at {said} UTC: refocused, since seeing does not jump")
    if drift.airmass_alike:
        evidence.append("the target sank meanwhile, which widens stars as well")
    sure = Confidence.CERTAIN if breaks else Confidence.LIKELY
    if drift.airmass_alike and not breaks:  # low altitude would look the same
        sure = Confidence.POSSIBLE
    cause = "the temperature" if drift.name == "temperature" else "time"
    return Finding(
        topic=Topic.FOCUS,
        cause="focus drift",
        title=f"Focus drifted with {cause}: {drift.slope:.2f} {unit}",
        text=f"Stars grew by {drift.change_px:.1f} px with {cause} while they stayed round.",
        evidence=tuple(evidence),
        confidence=sure,
        figures=(
            Figure(name="slope", value=drift.slope, uncertainty=drift.error, unit=unit),
            Figure(name="focus holds", value=holds_h, unit="h"),
            *(
                Figure(name="refocused", value=time.timestamp(), unit=MOMENT)
                for time in times
                if time is not None
            ),
        ),
        subs=tuple(one.path for one in subs if (one.measures.fwhm_px or 0) > 1.1 * typical),
        measures=("fwhm_px",),
        start=begin_of(subs[0]),
        end=end_of(subs[-1]),
        remedy=f"Refocus every {_about(holds_h)}, or whenever the "
        "temperature has changed by "
        + (
            f"{0.1 * typical / drift.slope:.1f} °C; "
            if drift.name == "temperature"
            else "a degree or two; "
        )
        + "a motor focuser can follow the temperature by itself.",
    )


def _about(hours: float) -> str:
    """Write how long focus holds no finer than it is known, and not longer than it does."""
    step_s = 300 if hours < 1 else 900
    return duration(max(step_s, hours * 3600 // step_s * step_s))


def _eccentricity_change(subs: Sequence[Observation]) -> float:
    """Compare the eccentricity of the widest third of the subs with that of the sharpest."""
    known = [
        (one.measures.fwhm_px or math.nan, one.measures.eccentricity)
        for one in subs
        if one.measures.eccentricity is not None
    ]
    if len(known) < 6:
        return 0.0
    known.sort()
    third = len(known) // 3
    values = [value for _, value in known]
    return float(np.median(values[-third:]) - np.median(values[:third]))
