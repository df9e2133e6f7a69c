"""The sub that all others of a target are registered to."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

# More stars than this many times the typical count are rather noise than depth.
_MOST_STARS = 2.0
# A sub that points this many times further from the middle than is usual
# would cost all others a part of their frame; dithers of a few seconds of arc
# never count as far.
_FAR = 5.0
_DITHER_DEG = 10 / 3600


def choose_reference(
    *,
    stars: ArrayLike,
    fwhm_px: ArrayLike,
    eccentricity: ArrayLike,
    noise_adu: ArrayLike,
    pointing_deg: ArrayLike | None = None,
) -> int:
    """Choose the sub with many sharp, round stars, little noise and a middle pointing.

    Parameters
    ----------
    stars : array_like, shape (n,)
        Star counts; NaN if unknown. Subs without a count of at least one are
        never chosen.
    fwhm_px, eccentricity, noise_adu : array_like, shape (n,)
        Measures of each sub; NaN if unknown, and then taken as typical.
    pointing_deg : array_like, shape (n, 2), optional
        Right ascension and declination, degrees; NaN if unknown. Subs that
        point away from the median are passed over.

    Returns
    -------
    int
        Index of the reference; of equals the first.

    Raises
    ------
    ValueError
        If no sub has any stars, or the arrays differ in length.

    Notes
    -----
    The merit is stars × axis ratio / (FWHM² × noise), each relative to its
    median: registering lives on the number of stars, and the signal-to-noise
    of a faint star falls with noise × FWHM; FWHM counts twice because a blurred
    reference makes every position worse. Noise of different filters is not
    comparable, but there the star count decides.
    """
    counts = np.asarray(stars, dtype=np.float64)
    fwhm, shape, noise = (
        np.asarray(values, dtype=np.float64) for values in (fwhm_px, eccentricity, noise_adu)
    )
    if not counts.shape == fwhm.shape == shape.shape == noise.shape or counts.ndim != 1:
        raise ValueError("every measure must have one value per sub")
    usable = np.isfinite(counts) & (counts >= 1)
    if not usable.any():
        raise ValueError("no sub has any stars to register to")
    if pointing_deg is not None:
        near = usable & ~_far(np.asarray(pointing_deg, dtype=np.float64), usable)
        usable = near if near.any() else usable
    axis_ratio = np.sqrt(np.clip(1 - np.square(shape), 0.01, 1))
    merit = (
        np.minimum(_relative(counts, usable), _MOST_STARS)
        * _relative(axis_ratio, usable)
        / (_relative(fwhm, usable) ** 2 * _relative(noise, usable))
    )
    return int(np.argmax(np.where(usable, merit, -1.0)))


def _relative(values: NDArray[np.float64], usable: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Divide by the median of the usable subs; unknown or senseless counts as 1."""
    known = usable & np.isfinite(values) & (values > 0)
    if not known.any():
        return np.ones(values.shape)
    typical = float(np.median(values[known]))
    return np.divide(values, typical, out=np.ones(values.shape), where=known)


def _far(pointing: NDArray[np.float64], usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Tell which subs point unusually far from the median; unknown is not far."""
    known = usable & np.isfinite(pointing).all(axis=1)
    if not known.any():
        return np.zeros(len(pointing), dtype=np.bool_)
    ra, dec = np.radians(pointing).T
    # Unit vectors have no seam at 0 h and no trouble at the pole.
    towards = np.column_stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)])
    middle = np.median(towards[known], axis=0)
    away = np.degrees(np.linalg.norm(towards - middle, axis=1))
    far: NDArray[np.bool_] = known & (away > _DITHER_DEG + _FAR * float(np.median(away[known])))
    return far
