"""Kernels of κσ clipping on one lane block whose layers differ in noise.

Every layer is measured in units of its own expected noise, so that its limits
are a centre, common to all, and an interval in units of noise.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast
from stackbench.rejection.clipping import (
    BELOW,
    CENTRE,
    CLIP_FREE,
    HIGH_FACTOR,
    KEPT,
    LOW_FACTOR,
    REACH,
    SQUARES,
    TOTAL,
    UNLIMITED,
    look_up,
)
from stackbench.rejection.lanes import WIDTH, Index, lower, upper, where
from stackbench.rejection.sorting import VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_SAME = np.float32(1e-4)  # of the reach: the mean has not moved
_LARGEST = np.float32(np.finfo(np.float32).max)

MIDDLE = WIDTH * CLIP_FREE  # of the limits, from the centre
WEIGHT = WIDTH * (CLIP_FREE + np.uint64(1))
KEPT_BEFORE = WIDTH * (CLIP_FREE + np.uint64(2))
EXPECTED = WIDTH * (CLIP_FREE + np.uint64(3))  # mean from the centre, if none come or go
FIELDS = int(CLIP_FREE) + 4


@compiled_fast
def gather_scaled(
    cube: NDArray[np.float32],
    start: Index,
    width: Index,
    inverse_noise: NDArray[np.float32],
    block: Lanes,
) -> None:
    """Sum the values within the limits, each layer by its expected noise."""
    for i in range(WIDTH):
        block[KEPT + i] = _ZERO
        block[TOTAL + i] = _ZERO
        block[SQUARES + i] = _ZERO
        block[WEIGHT + i] = _ZERO
    for d in range(np.uint64(inverse_noise.size)):
        inverse = inverse_noise[d]
        weight = inverse * inverse
        for i in range(width):
            scaled = (cube[d, start + i] - block[CENTRE + i]) * inverse
            inside = abs(scaled - block[MIDDLE + i]) <= block[REACH + i]
            scaled = where(inside, scaled, _ZERO)
            block[KEPT + i] += where(inside, _UNIT, _ZERO)
            block[WEIGHT + i] += where(inside, weight, _ZERO)
            block[TOTAL + i] += scaled * inverse
            block[SQUARES + i] += scaled * scaled


@compiled_fast
def tighten_scaled(
    depth: Index,
    factors: NDArray[np.float32],
    kappa: NDArray[np.float32],
    shift: np.float32,
    block: Lanes,
) -> None:
    """Set the next limits, in units of noise, never under those of the noise itself."""
    look_up(factors, depth, block)
    for i in range(WIDTH):
        kept = block[KEPT + i]
        whole = kept == block[VALID + i]
        enough = kept > _UNIT
        degrees = where(enough, kept - _UNIT, _UNIT)
        count = upper(kept, _UNIT)
        weight = where(enough, block[WEIGHT + i], _UNIT)
        mean = block[TOTAL + i] / weight
        variance = (block[SQUARES + i] - block[TOTAL + i] * mean) / degrees
        spread = np.sqrt(upper(variance, _ZERO))
        # A value scatters about a mean that holds it by sqrt(1 - 1/m) of its
        # noise, about one that does not by sqrt(1 + 1/m).
        least = np.sqrt(_UNIT + where(whole, -_UNIT, _UNIT) / count)
        low = lower(upper(spread * block[LOW_FACTOR + i], least * kappa[0]), UNLIMITED)
        high = lower(upper(spread * block[HIGH_FACTOR + i], least * kappa[1]), UNLIMITED)
        displaced = where(whole, _ZERO, shift) * spread * np.sqrt(count / weight)
        moved = where(enough, mean - displaced, _ZERO)
        block[EXPECTED + i] = mean - moved
        block[CENTRE + i] += moved
        block[MIDDLE + i] = (high - low) * _HALF
        block[REACH + i] = (high + low) * _HALF
        block[KEPT_BEFORE + i] = kept


@compiled_fast
def changed(block: Lanes) -> np.bool_:
    """Tell whether the last sums kept another set of values than those before."""
    differing = _ZERO
    for i in range(WIDTH):
        kept = block[KEPT + i]
        weight = block[WEIGHT + i]
        drift = block[TOTAL + i] - weight * block[EXPECTED + i]
        slack = _SAME * block[REACH + i]
        moved = drift * drift > slack * slack * weight * kept
        moved |= kept != block[KEPT_BEFORE + i]
        differing += where(moved, _UNIT, _ZERO)
    return differing > 0


@compiled_fast
def count_below_scaled(
    cube: NDArray[np.float32],
    start: Index,
    width: Index,
    inverse_noise: NDArray[np.float32],
    block: Lanes,
) -> None:
    """Count the finite values below the limits, each layer by its expected noise."""
    for i in range(WIDTH):
        block[BELOW + i] = _ZERO
    for d in range(np.uint64(inverse_noise.size)):
        inverse = inverse_noise[d]
        for i in range(width):
            scaled = (cube[d, start + i] - block[CENTRE + i]) * inverse
            low = (scaled - block[MIDDLE + i] < -block[REACH + i]) & (scaled >= -_LARGEST)
            block[BELOW + i] += where(low, _UNIT, _ZERO)
