"""The median of a few values, inside compiled code."""

from typing import Any

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import upper


@compiled
def median_in_place(values: npt.NDArray[Any], count: int | np.int64) -> float:
    """Return the median of the first `count` values, reordering them.

    Written out because the one that numba brings takes longer to compile than
    all other kernels of a module together.

    Parameters
    ----------
    values : ndarray, 1-D
        Finite values. Their order is changed.
    count : int
        How many of them take part, at least 1.

    Returns
    -------
    float
        The median; of an even count, the mean of the two in the middle.
    """
    wanted = count // 2
    low, high = 0, count - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                swap = values[i]
                values[i] = values[j]
                values[j] = swap
                i += 1
                j -= 1
        if wanted <= j:
            high = j
        elif wanted >= i:
            low = i
        else:
            break
    above = float(values[wanted])
    if count % 2 == 1:
        return above
    below = values[0]
    for i in range(1, wanted):
        below = upper(below, values[i])
    return 0.5 * (above + float(below))
