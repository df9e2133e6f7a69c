"""Series of observations in time, and robust fits through them."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from stackbench.frames.robust import mad_sigma, median
from stackbench.review.exposures import alike_exposures
from stackbench.review.observations import Observation

Floats = npt.NDArray[np.float64]

# A pause as long as this is a day between two nights.
_DAY_BETWEEN = timedelta(hours=6)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinearFit:
    """A least-squares fit: coefficients, their 1σ errors, and the scatter about it (ddof = k)."""

    coefficients: Floats
    errors: Floats
    scatter: float

    def significance(self, index: int) -> float:
        """Tell how many errors a coefficient lies from 0.

        Parameters
        ----------
        index : int
            Which coefficient.

        Returns
        -------
        float
            |coefficient| / error; 0 when the error is not known.
        """
        error = float(self.errors[index])
        return abs(float(self.coefficients[index])) / error if error > 0 else 0.0


def in_time(subs: Sequence[Observation]) -> list[Observation]:
    """Put observations in order of time; those without a time are left out.

    Parameters
    ----------
    subs : sequence of Observation
        In any order.

    Returns
    -------
    list of Observation
        By the middle of the exposure.
    """
    timed = [(one.time, one) for one in subs if one.time is not None]
    return [one for _, one in sorted(timed, key=lambda pair: (pair[0], pair[1].path.as_posix()))]


def nights_of(subs: Sequence[Observation]) -> list[list[Observation]]:
    """Part observations by the nights in which they were taken.

    Parameters
    ----------
    subs : sequence of Observation
        In any order; those without a time are left out.

    Returns
    -------
    list of list of Observation
        Nights in order, each in order of time.
    """
    nights: list[list[Observation]] = []
    for one in in_time(subs):
        before = nights[-1][-1].time if nights else None
        if one.time is not None and before is not None and one.time - before < _DAY_BETWEEN:
            nights[-1].append(one)
        else:
            nights.append([one])
    return nights


def hours_of(subs: Sequence[Observation]) -> Floats:
    """Tell the hours since the first of some observations.

    Parameters
    ----------
    subs : sequence of Observation
        With times, in order.

    Returns
    -------
    ndarray, shape (n,), float64
        Hours.
    """
    times = [one.time for one in subs if one.time is not None]
    return np.array([(time - times[0]).total_seconds() / 3600 for time in times])


def begin_of(sub: Observation) -> datetime | None:
    """Tell when an exposure began.

    Parameters
    ----------
    sub : Observation
        A sub.

    Returns
    -------
    datetime or None
        None when its time is unknown.
    """
    return None if sub.time is None else sub.time - timedelta(seconds=(sub.exposure_s or 0.0) / 2)


def end_of(sub: Observation) -> datetime | None:
    """Tell when an exposure ended.

    Parameters
    ----------
    sub : Observation
        A sub.

    Returns
    -------
    datetime or None
        None when its time is unknown.
    """
    return None if sub.time is None else sub.time + timedelta(seconds=(sub.exposure_s or 0.0) / 2)


def clock(time: datetime | None) -> str:
    """Write a moment as hours and minutes of the clock.

    Parameters
    ----------
    time : datetime or None
        UTC.

    Returns
    -------
    str
        Such as "01:40"; "unknown time" for None.
    """
    return "unknown time" if time is None else time.strftime("%H:%M")


def relative_to_filter(
    subs: Sequence[Observation], value: Callable[[Observation], float | None]
) -> Floats:
    """Bring the filters of a night onto one scale.

    Parameters
    ----------
    subs : sequence of Observation
        The subs.
    value : callable
        Gives a positive measure, None where unknown.

    Returns
    -------
    ndarray, shape (n,), float64
        The measure over the median of its filter and exposure; NaN where
        unknown, and in filters with fewer than three values.
    """
    out = np.full(len(subs), np.nan)
    groups: dict[tuple[str | None, float | None], list[int]] = {}
    exposures = alike_exposures([sub.exposure_s for sub in subs])
    for index, sub in enumerate(subs):
        groups.setdefault((sub.filter, exposures[index]), []).append(index)
    for members in groups.values():
        known = [(n, v) for n in members if (v := value(subs[n])) is not None and v > 0]
        if len(known) < 3:
            continue
        typical = float(np.median([v for _, v in known]))
        for n, v in known:
            out[n] = v / typical
    return out


def stretches(flags: Sequence[bool], *, gap: int = 1) -> list[list[int]]:
    """Gather flagged places into stretches.

    Parameters
    ----------
    flags : sequence of bool
        In order of time.
    gap : int
        So many unflagged places within a stretch do not end it.

    Returns
    -------
    list of list of int
        The flagged indices of each stretch.
    """
    found: list[list[int]] = []
    for index in (n for n, flag in enumerate(flags) if flag):
        if found and index - found[-1][-1] <= gap + 1:
            found[-1].append(index)
        else:
            found.append([index])
    return found


def fit_linear(columns: Sequence[Floats], values: Floats) -> LinearFit | None:
    """Fit values by a sum of columns, least squares.

    Parameters
    ----------
    columns : sequence of ndarray, each of shape (n,)
        What the coefficients multiply.
    values : ndarray, shape (n,)
        What is fitted; all finite.

    Returns
    -------
    LinearFit or None
        None when there are not at least two values more than columns, or the
        columns cannot be told apart.
    """
    design = np.column_stack(columns)
    count, unknowns = design.shape
    if count < unknowns + 2:
        return None
    coefficients, _, rank, _ = np.linalg.lstsq(design, values, rcond=1e-10)
    if rank < unknowns:
        return None
    residuals = values - design @ coefficients
    variance = float(residuals @ residuals) / (count - unknowns)
    covariance = np.linalg.inv(design.T @ design) * variance
    return LinearFit(
        coefficients=coefficients.astype(np.float64),
        errors=np.sqrt(np.diag(covariance)),
        scatter=math.sqrt(variance),
    )


def robust_sigma(values: Floats) -> float:
    """Return the scaled MAD about the median, of finite values.

    Parameters
    ----------
    values : ndarray
        Some values; NaN is passed over.

    Returns
    -------
    float
        0 when there are none.
    """
    finite = values[np.isfinite(values)]
    return mad_sigma(finite, median(finite)) if finite.size else 0.0


def common_errors(fit: LinearFit, residuals: Floats) -> Floats:
    """Widen a fit's errors where neighbours in time err alike.

    Weather and seeing change slowly, so that neighbouring subs are not
    independent witnesses. With a correlation ρ between neighbours the errors grow
    by √((1 + ρ)/(1 − ρ)).

    Parameters
    ----------
    fit : LinearFit
        The fit.
    residuals : ndarray, shape (n,)
        Its residuals in order of time.

    Returns
    -------
    ndarray
        The errors of the coefficients.
    """
    pairs = list(pairwise(residuals))
    power = float(residuals @ residuals) / len(residuals)
    rho = sum(a * b for a, b in pairs) / len(pairs) / power if pairs and power > 0 else 0.0
    rho = min(max(rho, 0.0), 0.95)
    return fit.errors * math.sqrt((1 + rho) / (1 - rho))
