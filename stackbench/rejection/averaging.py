"""Kernels that average, in float64, what the limits or ranks keep of a block."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast
from stackbench.rejection.clipping import BELOW, CENTRE, KEPT, REACH, TOTAL
from stackbench.rejection.lanes import NONE, ONE, TWO, WIDTH, Index, lower, upper, where
from stackbench.rejection.scaled_clipping import MIDDLE
from stackbench.rejection.sorting import MEDIAN, VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_INFINITY = np.float32(np.inf)

# Two sums per lane, in float64.
_WEIGHTS = WIDTH * NONE
_VALUES = WIDTH * ONE


@compiled_fast
def average(
    cube: NDArray[np.float32],
    start: Index,
    width: Index,
    inverse_noise: NDArray[np.float32],
    weights: NDArray[np.float64],
    block: Lanes,
    sums: NDArray[np.float64],
    mean: NDArray[np.float32],
) -> None:
    """Average with weights what lies within the limits, in units of noise."""
    for i in range(TWO * WIDTH):
        sums[i] = 0.0
    for d in range(np.uint64(weights.size)):
        inverse = inverse_noise[d]
        weight = weights[d]
        for i in range(width):
            value = cube[d, start + i]
            scaled = (value - block[CENTRE + i]) * inverse - block[MIDDLE + i]
            inside = abs(scaled) <= block[REACH + i]
            sums[_WEIGHTS + i] += weight * np.float64(where(inside, _UNIT, _ZERO))
            sums[_VALUES + i] += weight * np.float64(where(inside, value, _ZERO))
    _divide(start, width, sums, mean)


@compiled_fast
def _divide(
    start: Index,
    width: Index,
    sums: NDArray[np.float64],
    mean: NDArray[np.float32],
) -> None:
    for i in range(width):
        mean[start + i] = np.float32(sums[_VALUES + i] / sums[_WEIGHTS + i])


@compiled_fast
def count_finite(cube: NDArray[np.float32], start: Index, width: Index, block: Lanes) -> None:
    """Count the finite values of each column, and keep all of them."""
    for i in range(WIDTH):
        block[VALID + i] = _ZERO
    for d in range(np.uint64(cube.shape[0])):
        for i in range(width):
            present = abs(cube[d, start + i]) < _INFINITY
            block[VALID + i] += where(present, _UNIT, _ZERO)
    for i in range(WIDTH):
        block[KEPT + i] = block[VALID + i]
        block[BELOW + i] = _ZERO


@compiled_fast
def trim(lowest: np.float32, highest: np.float32, depth: Index, block: Lanes) -> None:
    """Tell how many of the lowest and highest values of each sorted column go.

    Leaves in `CENTRE` and `REACH` the first row kept and the row after the last.
    """
    for i in range(WIDTH):
        valid = block[VALID + i]
        most = upper(np.floor((valid - _UNIT) * _HALF), _ZERO)
        low = lower(lowest, most)
        high = lower(highest, most)
        first = np.floor((np.float32(depth) - valid) * _HALF) + low
        block[BELOW + i] = low
        block[KEPT + i] = valid - low - high
        block[CENTRE + i] = first
        block[REACH + i] = first + block[KEPT + i]


@compiled_fast
def average_rows(
    columns: Lanes,
    depth: Index,
    start: Index,
    width: Index,
    block: Lanes,
    sums: NDArray[np.float64],
    mean: NDArray[np.float32],
) -> None:
    """Average the rows of each sorted column that `trim` left."""
    for i in range(WIDTH):
        sums[_WEIGHTS + i] = np.float64(block[KEPT + i])
        sums[_VALUES + i] = 0.0
    for d in range(depth):
        row = d * WIDTH
        place = np.float32(d)
        for i in range(WIDTH):
            inside = (place >= block[CENTRE + i]) & (place < block[REACH + i])
            sums[_VALUES + i] += np.float64(where(inside, columns[row + i], _ZERO))
    _divide(start, width, sums, mean)


@compiled_fast
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
    """Average with weights what `trim` left; of equal values the first layers go first."""
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
            sums[_WEIGHTS + i] += weight * np.float64(where(inside, _UNIT, _ZERO))
            sums[_VALUES + i] += weight * np.float64(where(inside, value, _ZERO))
    _divide(start, width, sums, mean)


@compiled_fast
def _finite(value: np.float32) -> np.float32:
    """Count one for a finite value."""
    one: np.float32 = where(abs(value) < _INFINITY, _UNIT, _ZERO)
    return one
