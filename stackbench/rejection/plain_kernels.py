"""The kernels without a clip: min-max, median and plain mean of a cube."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast
from stackbench.frames.instructions import lower
from stackbench.rejection.averaging import average, count_finite, write_counts, write_mean
from stackbench.rejection.buffers import Results, Scratch
from stackbench.rejection.clipping import BELOW, CENTRE, KEPT, REACH, TOTAL
from stackbench.rejection.lanes import NONE, WIDTH
from stackbench.rejection.scaled_clipping import MIDDLE
from stackbench.rejection.sorting import VALID, load, medians, sort
from stackbench.rejection.trimming import average_rows, average_trimmed, trim

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Steps = NDArray[np.uint64]

_ZERO = np.float32(0)


@compiled_fast
def trim_cube(
    cube: Floats,
    steps: Steps,
    lowest: np.float32,
    highest: np.float32,
    weights: Doubles,
    scratch: Scratch,
    results: Results,
) -> None:
    """Combine without the lowest and highest values.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    steps : ndarray, shape (steps, 4), uint64
        The sorting network.
    lowest : float32
        How many of the lowest to drop.
    highest : float32
        How many of the highest to drop.
    weights : ndarray, shape (depth,), float64
        Weight of each layer; of size 0 for a plain mean.
    scratch : Scratch
        Working space.
    results : Results
        Written to.
    """
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    columns, block, sums = scratch
    mean, kept, low, high = results
    for first in range(NONE, pixels, WIDTH):
        width = lower(WIDTH, pixels - first)
        load(cube, first, width, columns, block)
        sort(columns, steps)
        medians(columns, depth, block)
        trim(lowest, highest, depth, block)
        if weights.size > 0:
            average_trimmed(cube, first, width, weights, columns, block, sums, mean)
        else:
            average_rows(columns, depth, first, width, block, sums, mean)
        write_counts(first, width, block, kept, low, high)


@compiled_fast
def median_cube(
    cube: Floats,
    steps: Steps,
    scratch: Scratch,
    results: Results,
) -> None:
    """Take the median.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    steps : ndarray, shape (steps, 4), uint64
        The sorting network.
    scratch : Scratch
        Working space.
    results : Results
        Written to.
    """
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    columns, block, _ = scratch
    mean, kept, low, high = results
    for first in range(NONE, pixels, WIDTH):
        width = lower(WIDTH, pixels - first)
        load(cube, first, width, columns, block)
        sort(columns, steps)
        medians(columns, depth, block)
        for i in range(WIDTH):
            block[KEPT + i] = block[VALID + i]
            block[BELOW + i] = _ZERO
            block[TOTAL + i] = _ZERO
        write_mean(first, width, block, mean)
        write_counts(first, width, block, kept, low, high)


@compiled_fast
def average_cube(
    cube: Floats,
    ones: Floats,
    weights: Doubles,
    scratch: Scratch,
    results: Results,
) -> None:
    """Take the weighted mean of everything finite.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    ones : ndarray, shape (depth,), float32
        Ones: no layer has a noise of its own.
    weights : ndarray, shape (depth,), float64
        Weight of each layer.
    scratch : Scratch
        Working space.
    results : Results
        Written to.
    """
    pixels = np.uint64(cube.shape[1])
    _, block, sums = scratch
    mean, kept, low, high = results
    for first in range(NONE, pixels, WIDTH):
        width = lower(WIDTH, pixels - first)
        for i in range(WIDTH):
            block[CENTRE + i] = _ZERO
            block[MIDDLE + i] = _ZERO
            block[REACH + i] = np.finfo(np.float32).max
        count_finite(cube, first, width, block)
        average(cube, first, width, ones, weights, block, sums, mean)
        write_counts(first, width, block, kept, low, high)
