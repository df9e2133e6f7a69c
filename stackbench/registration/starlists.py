"""Lists of stars as patterns need them: the usable ones, brightest first."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Fainter stars than these add nothing to the fit but time.
_MOST_STARS = 1000


class NoMatch(ValueError):  # noqa: N818 (an outcome in the trade's words)
    """The sub could not be placed on the reference; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StarList:
    """Usable stars, brightest first.

    `xy` are their positions, pixels, all finite; `indices` leads back to the
    list as given; `sigma_px` is the centroid error per axis, None if unknown.
    """

    xy: NDArray[np.float64]
    indices: NDArray[np.intp]
    sigma_px: NDArray[np.float64] | None


def brightest_first(
    xy: ArrayLike, flux: ArrayLike, *, sigma_px: ArrayLike | None, whose: str
) -> StarList:
    """Choose and order the stars that patterns are made of.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Star positions, pixels; stars with NaN are left out.
    flux : array_like, shape (n,)
        Any measure of brightness that orders the stars; NaN counts as faintest.
    sigma_px : array_like, shape (n,), or None
        Centroid error per axis, pixels; stars without one above 0 are left out.
    whose : str
        Whose stars, for the message.

    Returns
    -------
    StarList
        The 1000 brightest usable stars.

    Raises
    ------
    NoMatch
        If there are fewer than four.
    ValueError
        If the lists do not belong together.
    """
    positions = np.asarray(xy, dtype=np.float64)
    brightness = np.asarray(flux, dtype=np.float64)
    if positions.size == 0:
        positions = positions.reshape(0, 2)
    if positions.ndim != 2 or positions.shape[1] != 2 or brightness.shape != positions.shape[:1]:
        raise ValueError(
            f"stars must be (n, 2) positions and n fluxes, got {positions.shape}, "
            f"{brightness.shape}"
        )
    usable = np.isfinite(positions).all(axis=1)
    errors = None
    if sigma_px is not None:
        errors = np.asarray(sigma_px, dtype=np.float64)
        if errors.shape != brightness.shape:
            raise ValueError(f"one centroid error per star, got {errors.shape}")
        usable &= np.isfinite(errors) & (errors > 0)
    listed = np.flatnonzero(usable)
    faintest_last = np.where(np.isnan(brightness), -np.inf, brightness)[listed]
    indices = listed[np.argsort(-faintest_last, kind="stable")][:_MOST_STARS]
    if len(indices) < 4:
        raise NoMatch(f"{whose} has {len(indices)} usable stars, too few to make a pattern")
    return StarList(
        xy=positions[indices],
        indices=indices,
        sigma_px=None if errors is None else errors[indices],
    )
