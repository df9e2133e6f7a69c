"""The kernel that averages blocks of pixels."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled, inner
from stackbench.frames.instructions import lower


@compiled
def average_blocks(
    image: NDArray[np.float32],
    factor: int,
    total: NDArray[np.float64],
    result: NDArray[np.float32],
) -> None:
    """Write the mean of each block of factor × factor pixels, undefined ones left out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, contiguous
        ADU; what is not finite is undefined. Not modified.
    factor : int
        The side of a block; blocks at the last rows and columns may be smaller.
    total : ndarray, shape (nx,), float64
        Working space.
    result : ndarray, shape (ceil(ny / factor), ceil(nx / factor)), float32
        Receives the means, summed in float64; NaN where a whole block is undefined.
    """
    ny, nx = image.shape
    tall, wide = result.shape
    for j in range(tall):
        top, bottom = j * factor, lower((j + 1) * factor, ny)
        total[:] = 0.0
        for y in range(top, bottom):  # whole rows at a time, which the processor adds at once
            for x in range(nx):
                total[x] += image[y, x]
        for i in range(wide):
            left, right = i * factor, lower((i + 1) * factor, nx)
            value = 0.0
            for x in range(left, right):
                value += total[x]
            if np.isfinite(value):
                result[j, i] = value / ((bottom - top) * (right - left))
            else:
                result[j, i] = _mean_of_defined(image, top, bottom, left, right)


@inner
def _mean_of_defined(
    image: NDArray[np.float32], top: int, bottom: int, left: int, right: int
) -> float:
    total, count = 0.0, 0
    for y in range(top, bottom):
        for x in range(left, right):
            value = image[y, x]
            if np.isfinite(value):
                total += value
                count += 1
    return total / count if count > 0 else np.nan
