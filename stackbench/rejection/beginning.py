"""Kernels of a clip's robust start: sort, median, scaled MAD, first limits."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inlined, inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.clipping import CENTRE, REACH, TOTAL, UNLIMITED
from stackbench.rejection.lanes import WIDTH, Index, lower, upper
from stackbench.rejection.scaled_clipping import MIDDLE
from stackbench.rejection.sorting import (
    MAD,
    MEDIAN,
    VALID,
    Lanes,
    deviations,
    load,
    medians,
    sort,
)

Floats = NDArray[np.float32]

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_THREE = np.float32(3)
_MEAN_TO_SIGMA = np.float32(1.2533141)  # sqrt(pi / 2): mean deviation of a Gaussian
_INFINITY = np.float32(np.inf)


@inlined
def begin(
    cube: Floats,
    first: Index,
    width: Index,
    steps: NDArray[np.uint64],
    start: Floats,
    noise: np.float32,
    columns: Lanes,
    block: Lanes,
) -> None:
    """Sort a block and set each lane's centre and scale, robustly.

    `start` holds, for each count, the factor from MAD to first scale. The scale
    goes to `REACH`, and is never less than the expected noise.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    first : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    steps : ndarray, shape (steps, 4), uint64
        The sorting network.
    start : ndarray, shape (depth + 1,), float32
        Factor from MAD to first scale, for each count.
    noise : float32
        Expected noise, typical of the layers; 0 if it is not known.
    columns : ndarray, shape (depth × LANES,), float32
        Written to: the block's columns, sorted, row after row.
    block : ndarray, float32
        The block's fields.
    """
    depth = np.uint64(cube.shape[0])
    load(cube, first, width, columns, block)
    sort(columns, steps)
    medians(columns, depth, block)
    deviations(columns, depth, block)
    flat = _ZERO
    fewest = np.float32(depth)
    for i in range(WIDTH):
        flat += where(block[MAD + i] == _ZERO, _UNIT, _ZERO)
        fewest = lower(fewest, block[VALID + i])
    for i in range(WIDTH):
        block[CENTRE + i] = block[MEDIAN + i]
        block[MIDDLE + i] = _ZERO
    if fewest == np.float32(depth):
        factor = start[depth]
        for i in range(WIDTH):
            block[REACH + i] = upper(block[MAD + i] * factor, noise)
    else:
        for i in range(WIDTH):
            factor = start[np.uint64(np.int32(block[VALID + i]))]
            block[REACH + i] = upper(block[MAD + i] * factor, noise)
    if flat > _ZERO and noise == _ZERO:
        _mean_deviation(columns, depth, block)


@inner_fast
def first_limits(kappa: Floats, noise: np.float32, unequal: np.bool_, block: Lanes) -> None:
    """Turn centre and scale into the first limits; under three values keep all.

    Parameters
    ----------
    kappa : ndarray, shape (2,), float32
        κ below and above the centre.
    noise : float32
        Expected noise, typical of the layers; 0 if it is not known.
    unequal : bool
        Whether the limits are to be in units of each layer's noise.
    block : ndarray, float32
        The block's fields.
    """
    ahead = (kappa[1] - kappa[0]) * _HALF
    reach = (kappa[1] + kappa[0]) * _HALF
    for i in range(WIDTH):
        few = block[VALID + i] < _THREE
        scale = block[REACH + i]
        if unequal:
            block[MIDDLE + i] = where(few, _ZERO, scale * ahead / noise)
            block[REACH + i] = where(few, UNLIMITED, scale * reach / noise)
        else:
            block[CENTRE + i] += where(few, _ZERO, scale * ahead)
            block[REACH + i] = where(few, UNLIMITED, scale * reach)


@inner_fast
def _mean_deviation(columns: Lanes, depth: Index, block: Lanes) -> None:
    """Take the mean deviation as scale where over half the values are equal."""
    for i in range(WIDTH):
        block[TOTAL + i] = _ZERO
    for d in range(depth):
        row = d * WIDTH
        for i in range(WIDTH):
            deviation = abs(columns[row + i] - block[MEDIAN + i])
            block[TOTAL + i] += where(deviation < _INFINITY, deviation, _ZERO)
    for i in range(WIDTH):
        average = _MEAN_TO_SIGMA * block[TOTAL + i] / upper(block[VALID + i], _UNIT)
        block[REACH + i] = where(block[MAD + i] == _ZERO, average, block[REACH + i])
