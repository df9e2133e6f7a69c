"""Where the focuser stood for each filter, where it should have, and the filters' offsets."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackbench.review.observations import Observation
from stackbench.review.series import fit_linear, in_time


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusPosition:
    """Where the focuser stood for one filter.

    `best` is the position of least FWHM by a parabola, where the positions
    used allow one, with its 1σ `error`; `used` the median of those used.
    `offset` is how far it stood from where it stood for the filter with the most subs,
    which has none, at about the same time.
    """

    filter: str | None
    used: float
    subs: int
    offset: float | None = None
    best: float | None = None
    error: float | None = None


def focus_positions(subs: Sequence[Observation]) -> tuple[FocusPosition, ...]:
    """Tell where the focuser stood for each filter, and where focus was best.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one setup.

    Returns
    -------
    tuple of FocusPosition
        By filter name; filters whose headers give no position are left out.
    """
    by_filter: dict[str, list[Observation]] = {}
    for one in subs:
        if one.focus_position is not None and one.measures.fwhm_px is not None:
            by_filter.setdefault(one.filter or "", []).append(one)
    most = max(by_filter, key=lambda name: len(by_filter[name]), default="")
    return tuple(
        _position(members, offset=None if name == most else _offset(members, by_filter[most]))
        for name, members in sorted(by_filter.items())
    )


def _offset(members: Sequence[Observation], others: Sequence[Observation]) -> float | None:
    """Compare positions with those of the nearest subs in time, so that a refocus is none."""
    timed = in_time(others)
    differences = [
        (one.focus_position or 0.0) - (nearest.focus_position or 0.0)
        for one in in_time(members)
        if (nearest := _nearest(one, timed)) is not None
    ]
    return float(np.median(differences)) if differences else None


def _nearest(sub: Observation, others: Sequence[Observation]) -> Observation | None:
    """Find the sub nearest in time; those have times."""
    apart = [
        (abs((other.time - sub.time).total_seconds()), n)
        for n, other in enumerate(others)
        if other.time is not None and sub.time is not None
    ]
    return others[min(apart)[1]] if apart else None


def _position(members: Sequence[Observation], *, offset: float | None) -> FocusPosition:
    places = np.array([one.focus_position or 0.0 for one in members])
    squares = np.array([(one.measures.fwhm_px or 0.0) ** 2 for one in members])
    used = float(np.median(places))
    best = error = None
    if len(np.unique(places)) >= 5:
        span = float(np.ptp(places))
        x = (places - used) / span
        fit = fit_linear([np.ones_like(x), x, x**2], squares)
        # a blur adds in quadrature, so that FWHM² is a parabola of the position
        if fit is not None and fit.coefficients[2] > 5 * fit.errors[2]:
            b, c = float(fit.coefficients[1]), float(fit.coefficients[2])
            at = -b / (2 * c)
            if x.min() < at < x.max():
                best = used + at * span
                error = span * math.hypot(
                    float(fit.errors[1]) / (2 * c), b * float(fit.errors[2]) / (2 * c * c)
                )
    return FocusPosition(
        filter=members[0].filter,
        used=used,
        subs=len(members),
        offset=offset,
        best=best,
        error=error,
    )
