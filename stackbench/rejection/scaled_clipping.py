"""Kernels of κσ clipping on one lane block whose layers differ in noise.

Every layer is measured in units of its own expected noise, so that its limits
are a centre, common to all, and an interval in units of noise.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.clipping import (
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
from stackbench.rejection.lanes import FOUR, NONE, ONE, THREE, TWO, WIDTH, Index, lower, upper
from stackbench.rejection.sorting import VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_SAME = np.float32(1e-4)  # of the reach: the mean has not moved

MIDDLE = WIDTH * CLIP_FREE  # of the limits, from the centre
WEIGHT = WIDTH * (CLIP_FREE + np.uint64(1))
KEPT_BEFORE = WIDTH * (CLIP_FREE + np.uint64(2))
EXPECTED = WIDTH * (CLIP_FREE + np.uint64(3))  # mean from the centre, if none come or go
FIELDS = int(CLIP_FREE) + 4


@inner_fast
def gather_scaled(
    cube: NDArray[np.float32],
    start: Index,
    width: Index,
    inverse_noise: NDArray[np.float32],
    block: Lanes,
) -> None:
    """Sum the values within the limits, each layer by its expected noise.

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
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        block[KEPT + i] = _ZERO
        block[TOTAL + i] = _ZERO
        block[SQUARES + i] = _ZERO
        block[WEIGHT + i] = _ZERO
    depth = np.uint64(inverse_noise.size)
    fours = depth - depth % FOUR
    for d in range(NONE, fours, FOUR):
        _add_four_scaled(cube, d, start, width, inverse_noise, block)
    for d in range(fours, depth):
        inverse = inverse_noise[d]
        for i in range(width):
            scaled = (cube[d, start + i] - block[CENTRE + i]) * inverse
            inside = abs(scaled - block[MIDDLE + i]) <= block[REACH + i]
            scaled = where(inside, scaled, _ZERO)
            block[KEPT + i] += where(inside, _UNIT, _ZERO)
            block[WEIGHT + i] += where(inside, inverse * inverse, _ZERO)
            block[TOTAL + i] += scaled * inverse
            block[SQUARES + i] += scaled * scaled


@inner_fast
def _add_four_scaled(
    cube: NDArray[np.float32],
    first: Index,
    start: Index,
    width: Index,
    inverse_noise: NDArray[np.float32],
    block: Lanes,
) -> None:
    """Sum four layers at once: the sums are loaded and stored a quarter as often."""
    by_a = inverse_noise[first]
    by_b = inverse_noise[first + ONE]
    by_c = inverse_noise[first + TWO]
    by_d = inverse_noise[first + THREE]
    for i in range(width):
        centre = block[CENTRE + i]
        middle = block[MIDDLE + i]
        reach = block[REACH + i]
        a = (cube[first, start + i] - centre) * by_a
        b = (cube[first + ONE, start + i] - centre) * by_b
        c = (cube[first + TWO, start + i] - centre) * by_c
        d = (cube[first + THREE, start + i] - centre) * by_d
        in_a = where(abs(a - middle) <= reach, _UNIT, _ZERO)
        in_b = where(abs(b - middle) <= reach, _UNIT, _ZERO)
        in_c = where(abs(c - middle) <= reach, _UNIT, _ZERO)
        in_d = where(abs(d - middle) <= reach, _UNIT, _ZERO)
        a = where(in_a > _ZERO, a, _ZERO)
        b = where(in_b > _ZERO, b, _ZERO)
        c = where(in_c > _ZERO, c, _ZERO)
        d = where(in_d > _ZERO, d, _ZERO)
        block[KEPT + i] += (in_a + in_b) + (in_c + in_d)
        weights = in_a * (by_a * by_a) + in_b * (by_b * by_b)
        block[WEIGHT + i] += weights + in_c * (by_c * by_c) + in_d * (by_d * by_d)
        block[TOTAL + i] += (a * by_a + b * by_b) + (c * by_c + d * by_d)
        block[SQUARES + i] += (a * a + b * b) + (c * c + d * d)


@inner_fast
def tighten_scaled(
    depth: Index,
    factors: NDArray[np.float32],
    kappa: NDArray[np.float32],
    shift: np.float32,
    block: Lanes,
) -> None:
    """Set the next limits, in units of noise, never under those of the noise itself.

    Parameters
    ----------
    depth : int
        Number of layers.
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    kappa : ndarray, shape (2,), float32
        κ below and above the centre.
    shift : float32
        What unequal κ displace the mean by, in units of the spread.
    block : ndarray, float32
        The block's fields.
    """
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


@inner_fast
def changed(block: Lanes) -> np.bool_:
    """Tell whether the last sums kept another set of values than those before.

    Parameters
    ----------
    block : ndarray, float32
        The block's fields.

    Returns
    -------
    bool
        Whether any lane keeps another set.
    """
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
