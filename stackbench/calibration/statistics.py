"""The noise of one image, freed of outliers."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.robust import mad_sigma, median


def clipped_moments(values: NDArray[np.floating[Any]]) -> tuple[float, float]:
    """Return mean and standard deviation of a sample without its far outliers.

    Start: median and scaled MAD. Then three rounds of clipping at median ± 5σ
    with the sample standard deviation (ddof 1) of what is left as the new σ.
    A normal sample loses 6e-7 of itself, so that the result is unbiased; a
    bare MAD would be coarse, because camera data come in whole ADU.

    Parameters
    ----------
    values : ndarray, any float dtype
        The sample, any shape; NaN is left out.

    Returns
    -------
    mean, sigma : float
        In the unit of the values; NaN where too few are defined (one for the
        mean, two for σ).
    """
    # compared in their own precision, which takes half the time; summed in float64
    kept = values[np.isfinite(values)]
    if kept.size < 2:
        return (float(kept[0]) if kept.size else math.nan), math.nan
    centre = median(kept)
    sigma = mad_sigma(kept, centre)
    if sigma == 0:  # more than half of the values are equal
        sigma = _deviation(kept)
    for _ in range(3):
        inside = np.abs(kept - kept.dtype.type(centre)) <= 5 * sigma
        if not inside.all():
            kept = kept[inside]
        if kept.size < 2:
            return centre, sigma
        centre = float(kept.mean(dtype=np.float64))
        sigma = _deviation(kept)
    return centre, sigma


def _deviation(values: NDArray[np.floating[Any]]) -> float:
    return float(values.std(ddof=1, dtype=np.float64))


def clipped_sigma(values: NDArray[np.floating[Any]]) -> float:
    """Return the standard deviation of a sample without its far outliers.

    Parameters
    ----------
    values : ndarray, any float dtype
        The sample, any shape; NaN is left out.

    Returns
    -------
    float
        σ as from `clipped_moments`; NaN with fewer than two defined values.
    """
    return clipped_moments(values)[1]


def pair_sigma(first: NDArray[np.float32], second: NDArray[np.float32]) -> float:
    """Return the random noise of one frame from two alike, fixed pattern cancelled.

    Parameters
    ----------
    first, second : ndarray, float32
        The same pixels of two frames, same shape, ADU.

    Returns
    -------
    float
        σ of the difference over √2, ADU, per pixel of one frame.
    """
    return clipped_sigma(first - second) / math.sqrt(2)


def neighbour_sigma(rows: NDArray[np.float32]) -> float:
    """Return the noise of one frame from pixels two apart along its rows.

    The fixed pattern from pixel to pixel counts as noise here; slow gradients
    do not, nor do even and odd columns that differ.

    Parameters
    ----------
    rows : ndarray, shape (n, nx), float32
        Rows of the frame, ADU.

    Returns
    -------
    float
        σ, ADU, per pixel.
    """
    return clipped_sigma(rows[:, 2:] - rows[:, :-2]) / math.sqrt(2)
