"""Kernels of winsorised κσ: a scale from values pulled in, not thrown out."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.clipping import (
    CENTRE,
    HIGH_FACTOR,
    KEPT_BEFORE,
    LOW_FACTOR,
    REACH,
    SQUARES,
    TOTAL,
    UNLIMITED,
)
from stackbench.rejection.lanes import ONE, TWO, WIDTH, Index, lower, upper
from stackbench.rejection.scaled_clipping import MIDDLE
from stackbench.rejection.sorting import MEDIAN, VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_THREE = np.float32(3)
_INFINITY = np.float32(np.inf)
_CUT = np.float32(1.5)
_TO_SIGMA = np.float32(1.1333926)
_CLOSE = np.float32(0.005)  # of the scale: converged

# This clip's names for fields of the block's buffer.
SCALE = REACH
ACTIVE = KEPT_BEFORE
NEW_CENTRE = LOW_FACTOR
NEW_SCALE = HIGH_FACTOR


@inner_fast
def winsorise(
    columns: Lanes, depth: Index, floor: np.float32, iterations: int, block: Lanes
) -> None:
    """Find centre and scale of each column from values pulled in to ± 1.5 scales.

    Starts from `CENTRE` and `SCALE`. A lane stops when its scale moves by less
    than 0.5 %, whatever its neighbours do.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    floor : float32
        Least scale: the expected noise, or 0.
    iterations : int
        Most passes.
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        block[ACTIVE + i] = where(block[VALID + i] < _THREE, _ZERO, _UNIT)
    for _ in range(iterations):
        _pull_in(columns, depth, block)
        active = _ZERO
        for i in range(WIDTH):
            count = upper(block[VALID + i], _THREE)
            mean = block[TOTAL + i] / count
            variance = (block[SQUARES + i] - block[TOTAL + i] * mean) / (count - _UNIT)
            scale = upper(_TO_SIGMA * np.sqrt(upper(variance, _ZERO)), floor)
            going = block[ACTIVE + i] > _ZERO
            moved = abs(scale - block[SCALE + i]) > _CLOSE * scale
            block[NEW_CENTRE + i] = where(going, block[MEDIAN + i] + mean, block[CENTRE + i])
            block[NEW_SCALE + i] = where(going, scale, block[SCALE + i])
            flag = where(going & moved, _UNIT, _ZERO)
            block[ACTIVE + i] = flag
            active += flag
        # Choosing between an old value and a new one in place would become
        # masked stores, which are slow.
        for i in range(WIDTH):
            block[CENTRE + i] = block[NEW_CENTRE + i]
            block[SCALE + i] = block[NEW_SCALE + i]
        if active == _ZERO:
            break


@inner_fast
def _pull_in(columns: Lanes, depth: Index, block: Lanes) -> None:
    """Sum the values, less the median, after pulling them in."""
    for i in range(WIDTH):
        ahead = block[CENTRE + i] - block[MEDIAN + i]
        block[LOW_FACTOR + i] = ahead - _CUT * block[SCALE + i]
        block[HIGH_FACTOR + i] = ahead + _CUT * block[SCALE + i]
        block[TOTAL + i] = _ZERO
        block[SQUARES + i] = _ZERO
    for d in range(depth):
        row = d * WIDTH
        for i in range(WIDTH):
            residual = columns[row + i] - block[MEDIAN + i]
            pulled = lower(upper(residual, block[LOW_FACTOR + i]), block[HIGH_FACTOR + i])
            pulled = where(abs(residual) < _INFINITY, pulled, _ZERO)
            block[TOTAL + i] += pulled
            block[SQUARES + i] += pulled * pulled


@inner_fast
def spread_limits(
    factors: NDArray[np.float32], unit: np.float32, unequal: np.bool_, block: Lanes
) -> None:
    """Turn each lane's scale, in units of `unit`, into limits, by its count's factors.

    Parameters
    ----------
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    unit : float32
        What the scale is to be measured in.
    unequal : bool
        Whether the limits are to be in units of each layer's noise.
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        line = TWO * np.uint64(np.int32(block[VALID + i]))
        block[LOW_FACTOR + i] = factors[line]
        block[HIGH_FACTOR + i] = factors[line + ONE]
    for i in range(WIDTH):
        few = block[VALID + i] < _THREE
        scale = block[SCALE + i] / unit
        low = where(few, UNLIMITED, scale * block[LOW_FACTOR + i])
        high = where(few, UNLIMITED, scale * block[HIGH_FACTOR + i])
        ahead = high * _HALF - low * _HALF
        block[CENTRE + i] += _ZERO if unequal else ahead
        block[MIDDLE + i] = ahead if unequal else _ZERO
        block[REACH + i] = high * _HALF + low * _HALF
