"""Undefined pixels filled from their neighbours, for measuring only, never for stacking."""

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.statistics import exact_median
from stackbench.frames.compiled import compiled

_LARGEST_REACH = 5  # px: windows of up to 11 × 11


def fill_undefined(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Fill each undefined pixel with the median of the defined ones around it.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        NaN where undefined. Not modified.

    Returns
    -------
    ndarray, shape (ny, nx), float32
        A copy, filled: from the 3 × 3 window, or the smallest larger one up to
        11 × 11, in which three pixels are defined; farther inside an undefined
        area with the image's median. Filled pixels do not fill others. An
        image without a defined pixel stays as it is.
    """
    filled = image.copy()
    if _fill_from_neighbours(image, _LARGEST_REACH, filled):
        level = exact_median(image)
        np.copyto(filled, np.float32(level), where=np.isnan(filled))
    return filled


@compiled
def _fill_from_neighbours(
    image: NDArray[np.float32], largest: int, filled: NDArray[np.float32]
) -> int:
    """Fill what can be filled; return how many pixels are left undefined."""
    ny, nx = image.shape
    side = 2 * largest + 1
    values = np.empty(side * side, dtype=np.float32)
    left = 0
    for y in range(ny):
        for x in range(nx):
            if not np.isnan(image[y, x]):
                continue
            count = 0
            reach = 0
            while count < 3 and reach < largest:
                reach += 1
                count = 0
                for v in range(max(0, y - reach), min(ny, y + reach + 1)):
                    for u in range(max(0, x - reach), min(nx, x + reach + 1)):
                        if not np.isnan(image[v, u]):
                            values[count] = image[v, u]
                            count += 1
            if count < 3:
                left += 1
            else:
                filled[y, x] = np.median(values[:count])
    return left
