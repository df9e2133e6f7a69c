"""Kernels that average, in float64, what the limits or ranks keep of a block."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.clipping import BELOW, CENTRE, KEPT, REACH, TOTAL
from stackbench.rejection.lanes import NONE, ONE, TWO, WIDTH, Index
from stackbench.rejection.scaled_clipping import MIDDLE
from stackbench.rejection.sorting import MEDIAN, VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_INFINITY = np.float32(np.inf)
_LARGEST = np.float32(np.finfo(np.float32).max)

Counts = NDArray[np.uint16]

# Two sums per lane, in float64.
WEIGHTS = WIDTH * NONE
VALUES = WIDTH * ONE


@inner_fast
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
    """Average with weights what lies within the limits; count what lies below.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    inverse_noise : ndarray, shape (depth,), float32
        One over each layer's expected noise.
    weights : ndarray, shape (depth,), float64
        Weight of each layer.
    block : ndarray, float32
        The block's fields.
    sums : ndarray, shape (2 × LANES,), float64
        Scratch space.
    mean : ndarray, shape (n,), float32
        Written to.
    """
    for i in range(TWO * WIDTH):
        sums[i] = 0.0
    for i in range(WIDTH):
        block[BELOW + i] = _ZERO
    depth = np.uint64(weights.size)
    paired = depth - depth % TWO
    for d in range(NONE, paired, TWO):
        _add_two(
            cube, d, d + ONE, weights[d + ONE], start, width, inverse_noise, weights, block, sums
        )
    if paired < depth:
        _add_two(cube, paired, paired, 0.0, start, width, inverse_noise, weights, block, sums)
    divide(start, width, sums, mean)


@inner_fast
def _add_two(
    cube: NDArray[np.float32],
    layer: Index,
    other: Index,
    other_weight: float,
    start: Index,
    width: Index,
    inverse_noise: NDArray[np.float32],
    weights: NDArray[np.float64],
    block: Lanes,
    sums: NDArray[np.float64],
) -> None:
    """Add two layers, or one layer twice, the second time with weight 0."""
    weight = weights[layer]
    inverse = inverse_noise[layer]
    other_inverse = inverse_noise[other]
    second = _ZERO if layer == other else _UNIT
    for i in range(width):
        centre = block[CENTRE + i]
        middle = block[MIDDLE + i]
        reach = block[REACH + i]
        one = cube[layer, start + i]
        two = cube[other, start + i]
        from_one = (one - centre) * inverse - middle
        from_two = (two - centre) * other_inverse - middle
        in_one = abs(from_one) <= reach
        in_two = abs(from_two) <= reach
        low_one = (from_one < -reach) & (from_one >= -_LARGEST)
        low_two = (from_two < -reach) & (from_two >= -_LARGEST)
        block[BELOW + i] += where(low_one, _UNIT, _ZERO) + where(low_two, second, _ZERO)
        sums[WEIGHTS + i] += weight * np.float64(
            where(in_one, _UNIT, _ZERO)
        ) + other_weight * np.float64(where(in_two, _UNIT, _ZERO))
        sums[VALUES + i] += weight * np.float64(
            where(in_one, one, _ZERO)
        ) + other_weight * np.float64(where(in_two, two, _ZERO))


@inner_fast
def divide(
    start: Index,
    width: Index,
    sums: NDArray[np.float64],
    mean: NDArray[np.float32],
) -> None:
    """Write sums of values over sums of weights.

    Parameters
    ----------
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    sums : ndarray, shape (2 × LANES,), float64
        Weights, then weighted values.
    mean : ndarray, shape (n,), float32
        Written to.
    """
    for i in range(width):
        mean[start + i] = np.float32(sums[VALUES + i] / sums[WEIGHTS + i])


@inner_fast
def count_finite(cube: NDArray[np.float32], start: Index, width: Index, block: Lanes) -> None:
    """Count the finite values of each column, and keep all of them.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        block[VALID + i] = _ZERO
    for d in range(np.uint64(cube.shape[0])):
        for i in range(width):
            present = abs(cube[d, start + i]) < _INFINITY
            block[VALID + i] += where(present, _UNIT, _ZERO)
    for i in range(WIDTH):
        block[KEPT + i] = block[VALID + i]
        block[BELOW + i] = _ZERO


@inner_fast
def write_mean(first: Index, width: Index, block: Lanes, mean: NDArray[np.float32]) -> None:
    """Write the plain mean of the values kept; NaN where there is none.

    Parameters
    ----------
    first : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    block : ndarray, float32
        The block's fields.
    mean : ndarray, shape (n,), float32
        Written to.
    """
    for i in range(width):
        mean[first + i] = block[MEDIAN + i] + block[TOTAL + i] / block[KEPT + i]


@inner_fast
def write_counts(
    first: Index, width: Index, block: Lanes, kept: Counts, low: Counts, high: Counts
) -> None:
    """Write how many values were kept, and rejected on either side.

    Parameters
    ----------
    first : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    block : ndarray, float32
        The block's fields.
    kept, low, high : ndarray, shape (n,), uint16
        Written to.
    """
    for i in range(width):
        kept[first + i] = np.uint16(np.int32(block[KEPT + i]))
    for i in range(width):
        low[first + i] = np.uint16(np.int32(block[BELOW + i]))
    for i in range(width):
        above = block[VALID + i] - block[KEPT + i] - block[BELOW + i]
        high[first + i] = np.uint16(np.int32(above))
