"""Kernels that drop the lowest and highest values of a lane block's sorted columns."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.averaging import VALUES, WEIGHTS, divide
from stackbench.rejection.clipping import BELOW, CENTRE, KEPT, REACH, TOTAL
from stackbench.rejection.lanes import TWO, WIDTH, Index, lower, upper
from stackbench.rejection.sorting import MEDIAN, VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_INFINITY = np.float32(np.inf)


@inner_fast
def trim(lowest: np.float32, highest: np.float32, depth: Index, block: Lanes) -> None:
    """Tell how many of the lowest and highest values of each sorted column go.

    Leaves in `CENTRE` and `REACH` the first row kept and the row after the last.

    Parameters
    ----------
    lowest : float32
        How many of the lowest to drop.
    highest : float32
        How many of the highest to drop.
    depth : int
        Number of layers.
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        valid = block[VALID + i]
        most = upper(np.floor((valid - _UNIT) * _HALF), _ZERO)
        all_go = lowest + highest >= valid
        low = where(all_go, lower(lowest, most), lowest)
        high = where(all_go, lower(highest, most), highest)
        first = np.floor((np.float32(depth) - valid) * _HALF) + low
        block[BELOW + i] = low
        block[KEPT + i] = valid - low - high
        block[CENTRE + i] = first
        block[REACH + i] = first + block[KEPT + i]


@inner_fast
def average_rows(
    columns: Lanes,
    depth: Index,
    start: Index,
    width: Index,
    block: Lanes,
    sums: NDArray[np.float64],
    mean: NDArray[np.float32],
) -> None:
    """Average the rows of each sorted column that `trim` left.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    block : ndarray, float32
        The block's fields.
    sums : ndarray, shape (2 × LANES,), float64
        Scratch space.
    mean : ndarray, shape (n,), float32
        Written to.
    """
    for i in range(WIDTH):
        sums[WEIGHTS + i] = np.float64(block[KEPT + i])
        sums[VALUES + i] = 0.0
    for d in range(depth):
        row = d * WIDTH
        place = np.float32(d)
        for i in range(WIDTH):
            inside = (place >= block[CENTRE + i]) & (place < block[REACH + i])
            sums[VALUES + i] += np.float64(where(inside, columns[row + i], _ZERO))
    divide(start, width, sums, mean)


@inner_fast
def average_trimmed(
    cube: NDArray[np.float32],
    start: Index,
    width: Index,
    weights: NDArray[np.float64],
    columns: Lanes,
    block: Lanes,
    sums: NDArray[np.float64],
    mean: NDArray[np.float32],
) -> None:
    """Average with weights what `trim` left; of equal values the first layers go first.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    weights : ndarray, shape (depth,), float64
        Weight of each layer.
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    block : ndarray, float32
        The block's fields.
    sums : ndarray, shape (2 × LANES,), float64
        Scratch space.
    mean : ndarray, shape (n,), float32
        Written to.
    """
    for i in range(width):
        # Limits are values again: the lowest and the highest kept.
        kept = block[KEPT + i] > _ZERO
        first = WIDTH * np.uint64(np.int32(block[CENTRE + i])) + i
        last = WIDTH * np.uint64(np.int32(block[REACH + i])) + i - WIDTH
        block[CENTRE + i] = columns[first] if kept else _INFINITY
        block[REACH + i] = columns[last] if kept else -_INFINITY
        # `TOTAL` and `MEDIAN`: equals of those two that are still to go.
        block[TOTAL + i] = block[BELOW + i]
        block[MEDIAN + i] = block[VALID + i] - block[KEPT + i] - block[BELOW + i]
    for i in range(TWO * WIDTH):
        sums[i] = 0.0
    for d in range(np.uint64(weights.size)):
        for i in range(width):
            value = cube[d, start + i]
            block[TOTAL + i] -= where(value < block[CENTRE + i], _finite(value), _ZERO)
            block[MEDIAN + i] -= where(value > block[REACH + i], _finite(value), _ZERO)
    for d in range(np.uint64(weights.size)):
        weight = weights[d]
        for i in range(width):
            value = cube[d, start + i]
            inside = (value >= block[CENTRE + i]) & (value <= block[REACH + i])
            low = (value == block[CENTRE + i]) & (block[TOTAL + i] > _ZERO)
            high = (value == block[REACH + i]) & (block[MEDIAN + i] > _ZERO) & (not low)
            block[TOTAL + i] -= where(low, _UNIT, _ZERO)
            block[MEDIAN + i] -= where(high, _UNIT, _ZERO)
            inside &= not (low | high)
            sums[WEIGHTS + i] += weight * np.float64(where(inside, _UNIT, _ZERO))
            sums[VALUES + i] += weight * np.float64(where(inside, value, _ZERO))
    divide(start, width, sums, mean)


@inner_fast
def _finite(value: np.float32) -> np.float32:
    """Count one for a finite value."""
    one: np.float32 = where(abs(value) < _INFINITY, _UNIT, _ZERO)
    return one
