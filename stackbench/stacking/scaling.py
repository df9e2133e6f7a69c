"""Bringing a sub to the reference's scale: star fluxes for the factor, sky for the offset."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stackbench.frames.robust import mad_sigma, median

_FEWEST = 3  # stars that a ratio may rest on
_WIDE = 2.5  # σ beyond which a star is left out of the ratio: variable, blended, hit
_ROUNDS = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class FluxRatio:
    """How many times brighter the reference's stars are than the sub's.

    `error` is 1σ of `ratio`, `stars` the number of stars that it rests on.
    """

    ratio: float
    error: float
    stars: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """How one sub becomes like the reference: scale × sub + offset."""

    scale: float
    offset: float


def flux_ratio(
    reference_flux: ArrayLike, sub_flux: ArrayLike, *, flux_error: ArrayLike | None = None
) -> FluxRatio | None:
    """Measure the factor that brings a sub's stars to the reference's fluxes.

    The weighted mean of log(reference / sub) of the stars that agree: it starts
    from the median and the scaled median absolute deviation, and leaves out
    stars beyond 2.5 σ until none changes sides. Weights are by flux error,
    with the scatter of the stars added so that the brightest do not rule alone.

    Parameters
    ----------
    reference_flux, sub_flux : array_like
        Fluxes of the same stars in both, ADU. Pairs that are not both finite
        and above 0 are left out.
    flux_error : array_like, optional
        1σ of each ratio, as a fraction of it; equal for all when not given.

    Returns
    -------
    FluxRatio or None
        Reference / sub; None with fewer than 3 stars.
    """
    one = np.atleast_1d(np.asarray(reference_flux, dtype=np.float64))
    other = np.atleast_1d(np.asarray(sub_flux, dtype=np.float64))
    errors = np.zeros_like(one) if flux_error is None else np.asarray(flux_error, np.float64)
    good = np.isfinite(one) & np.isfinite(other) & (one > 0) & (other > 0) & np.isfinite(errors)
    if good.sum() < _FEWEST:
        return None
    logs, errors = np.log(one[good] / other[good]), errors[good]
    used, mean, weights = _agreeing(logs, errors)
    scatter = float(np.sqrt((weights * (logs[used] - mean) ** 2).sum() / weights.sum()))
    effective = weights.sum() ** 2 / (weights**2).sum()
    error = scatter / np.sqrt(max(effective - 1.0, 1.0))
    ratio = float(np.exp(mean))
    return FluxRatio(ratio=ratio, error=ratio * float(error), stars=int(used.sum()))


def _agreeing(
    logs: NDArray[np.float64], errors: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], float, NDArray[np.float64]]:
    """Find the stars that agree, their weighted mean and their weights."""
    mean = median(logs)
    floor = max(mad_sigma(logs, mean), 1e-9)
    used = np.abs(logs - mean) <= _WIDE * np.hypot(floor, errors)
    for _ in range(_ROUNDS):
        weights = 1.0 / (floor**2 + errors[used] ** 2)
        mean = float((weights * logs[used]).sum() / weights.sum())
        now = np.abs(logs - mean) <= _WIDE * np.hypot(floor, errors)
        if now.sum() < _FEWEST or np.array_equal(now, used):
            break
        used = now
    weights = 1.0 / (floor**2 + errors[used] ** 2)
    return used, float((weights * logs[used]).sum() / weights.sum()), weights


def scale_to_reference(
    ratio: float,
    *,
    reference_sky_adu: float,
    sub_sky_adu: float,
    matrix: NDArray[np.float64],
) -> Scaling:
    """Work out a sub's scale and offset.

    Resampling keeps surface brightness, not flux: where the transform makes
    the sub larger, its stars cover more pixels of the grid. The scale makes up
    for that, so that fluxes measured on the grid agree.

    Parameters
    ----------
    ratio : float
        Flux of a star in the reference over that in the sub, each measured in
        its own frame.
    reference_sky_adu, sub_sky_adu : float
        Sky levels, ADU.
    matrix : ndarray, shape (3, 3)
        From the sub to the grid, which has the reference's pixels.

    Returns
    -------
    Scaling
        Such that scale × sub_sky_adu + offset is reference_sky_adu.
    """
    scale = ratio / float(abs(np.linalg.det(matrix[:2, :2])))
    return Scaling(scale=scale, offset=reference_sky_adu - scale * sub_sky_adu)
