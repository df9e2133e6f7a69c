"""The kernel that averages blocks of pixels."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled


@compiled
def average_blocks(image: NDArray[np.float32], factor: int, result: NDArray[np.float32]) -> None:
    """Write the mean of each block of factor × factor pixels, undefined ones left out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, contiguous
        ADU; what is not finite is undefined. Not modified.
    factor : int
        The side of a block; blocks at the last rows and columns may be smaller.
    result : ndarray, shape (ceil(ny / factor), ceil(nx / factor)), float32
        Receives the means, summed in float64; NaN where a whole block is undefined.
    """
    ny, nx = image.shape
    tall, wide = result.shape
    total = np.empty(wide, np.float64)
    count = np.empty(wide, np.int32)
    for j in range(tall):
        total[:] = 0.0
        count[:] = 0
        for y in range(j * factor, min((j + 1) * factor, ny)):
            for i in range(wide):
                first = i * factor
                for x in range(first, min(first + factor, nx)):
                    value = image[y, x]
                    if np.isfinite(value):
                        total[i] += value
                        count[i] += 1
        for i in range(wide):
            result[j, i] = total[i] / count[i] if count[i] > 0 else np.nan
