"""Kernels that find, and average, the pixels from which a clip takes nothing.

Where the noise is known a clip's limits are never narrower than those of the
noise. So a column from which nothing can be rejected is known by bounds alone,
without sorting it: most columns of a good night.

Let b be the least distance from the centre at which each layer's values may be
rejected, and [A, B] the range from max(value - b) to min(value + b). As long as
the centre of a clip lies in there, all values lie within its limits. It starts
at the median, which does so if less than half of the values lie below A, and
less than half above B. The next centre is the mean of all values, weighted by
their noise (κσ), or that of values pulled in (winsorised).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.lanes import FOUR, NONE, ONE, THREE, TWO, WIDTH, Index, lower, upper
from stackbench.rejection.sorting import Lanes

Floats = NDArray[np.float32]

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_INFINITY = np.float32(np.inf)
# What rounding may do to limits, in units of the values and of the limits.
_SLACK = np.float32(4e-7)
_SLACK_OF_BOUNDS = 1e-4

# Fields of the block's buffer, which a clip of other columns may overwrite.
LEAST = WIDTH * np.uint64(0)  # A
MOST = WIDTH * np.uint64(1)  # B
MIDST = WIDTH * np.uint64(2)  # what values are summed from
SUM = WIDTH * np.uint64(3)  # with the weights of the average
CENTRAL = WIDTH * np.uint64(4)  # with the weights of the clip's centre
UNDER = WIDTH * np.uint64(5)
OVER = WIDTH * np.uint64(6)
PULLED_UP = WIDTH * np.uint64(7)
PULLED_DOWN = WIDTH * np.uint64(8)
UNTOUCHED = WIDTH * np.uint64(9)


class Bounds(NamedTuple):
    """What holds for each layer, in fours: some layers come twice, with weight 0.

    `layers` is empty where bounds would tell nothing.
    """

    layers: NDArray[np.uint64]
    below: Floats  # least distance below the centre that a clip may reject
    above: Floats
    central: Floats  # weights of the clip's centre, of sum 1
    weights: Floats  # weights of the average, of sum 1


NO_BOUNDS = Bounds(np.empty(0, np.uint64), *(np.empty(0, np.float32) for _ in range(4)))


def layer_bounds(
    below: NDArray[np.float64],
    above: NDArray[np.float64],
    central: NDArray[np.float64],
    weights: NDArray[np.float64],
) -> Bounds:
    """Lay out what holds for each layer as the kernels take it.

    Parameters
    ----------
    below, above : ndarray, shape (depth,), float64
        Least distance from the centre at which a clip may reject a value.
    central : ndarray, shape (depth,), float64
        Weight of each layer in the clip's centre.
    weights : ndarray, shape (depth,), float64
        Weight of each layer in the average.

    Returns
    -------
    Bounds
        All of one length, a multiple of four.
    """
    depth = below.size
    layers = np.resize(np.arange(depth, dtype=np.uint64), depth + -depth % 4)
    narrower = 1 - _SLACK_OF_BOUNDS
    return Bounds(
        layers=layers,
        below=(narrower * below[layers]).astype(np.float32),
        above=(narrower * above[layers]).astype(np.float32),
        central=_shares(central, layers.size),
        weights=_shares(weights, layers.size),
    )


def _shares(weights: NDArray[np.float64], size: int) -> Floats:
    """Bring weights to a sum of 1, and fill up with 0."""
    shares = np.zeros(size, np.float32)
    shares[: weights.size] = weights / weights.sum()
    return shares


@inner_fast
def average_untouched(
    cube: Floats,
    start: Index,
    width: Index,
    bounds: Bounds,
    pull: np.float32 | None,
    block: Lanes,
    mean: Floats,
) -> None:
    """Average all values of each column, and tell where that is the clip's result.

    Leaves 1 in `UNTOUCHED` where a clip takes nothing for certain, else 0: also
    where values are missing, since a NaN makes the sums NaN.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    bounds : Bounds
        What holds for each layer.
    pull : float32 or None
        Distance from the centre beyond which a winsorised clip pulls values
        in, at least; None for κσ.
    block : ndarray, float32
        The block's fields.
    mean : ndarray, shape (n,), float32
        Written to.
    """
    _bound(cube, start, width, bounds, block)
    _sum(cube, start, width, bounds, block)
    if pull is not None:
        _sum_pulled(cube, start, width, bounds, pull, block)
    half = np.float32(cube.shape[0]) * _HALF
    for i in range(width):
        mean[start + i] = block[MIDST + i] + block[SUM + i]
        least = block[LEAST + i] - block[MIDST + i]
        most = block[MOST + i] - block[MIDST + i]
        held = (block[CENTRAL + i] >= least) & (block[CENTRAL + i] <= most)
        if pull is not None:
            held &= (block[PULLED_DOWN + i] >= least) & (block[PULLED_UP + i] <= most)
        held &= (block[UNDER + i] < half) & (block[OVER + i] < half)
        block[UNTOUCHED + i] = where(held, _UNIT, _ZERO)


@inner_fast
def _bound(cube: Floats, start: Index, width: Index, bounds: Bounds, block: Lanes) -> None:
    """Find where the clip's centre must lie for it to take nothing.

    A NaN may be lost in these extremes; the sums keep it.
    """
    for i in range(WIDTH):
        block[LEAST + i] = -_INFINITY
        block[MOST + i] = _INFINITY
    for k in range(NONE, np.uint64(bounds.layers.size), FOUR):
        row_a = bounds.layers[k]
        row_b = bounds.layers[k + ONE]
        row_c = bounds.layers[k + TWO]
        row_d = bounds.layers[k + THREE]
        above_a = bounds.above[k]
        above_b = bounds.above[k + ONE]
        above_c = bounds.above[k + TWO]
        above_d = bounds.above[k + THREE]
        below_a = bounds.below[k]
        below_b = bounds.below[k + ONE]
        below_c = bounds.below[k + TWO]
        below_d = bounds.below[k + THREE]
        for i in range(width):
            a = cube[row_a, start + i]
            b = cube[row_b, start + i]
            c = cube[row_c, start + i]
            d = cube[row_d, start + i]
            least = upper(upper(a - above_a, b - above_b), upper(c - above_c, d - above_d))
            most = lower(lower(a + below_a, b + below_b), lower(c + below_c, d + below_d))
            block[LEAST + i] = upper(block[LEAST + i], least)
            block[MOST + i] = lower(block[MOST + i], most)
    for i in range(WIDTH):
        slack = _SLACK * upper(abs(block[LEAST + i]), abs(block[MOST + i]))
        block[LEAST + i] += slack
        block[MOST + i] -= slack
        block[MIDST + i] = (block[LEAST + i] + block[MOST + i]) * _HALF


@inner_fast
def _sum(cube: Floats, start: Index, width: Index, bounds: Bounds, block: Lanes) -> None:
    """Sum the values with both weights, and count those outside [A, B].

    float32 loses nothing here: what is summed are small differences from the
    middle of the values, of either sign.
    """
    for i in range(WIDTH):
        block[SUM + i] = _ZERO
        block[CENTRAL + i] = _ZERO
        block[UNDER + i] = _ZERO
        block[OVER + i] = _ZERO
    for k in range(NONE, np.uint64(bounds.layers.size), FOUR):
        row_a = bounds.layers[k]
        row_b = bounds.layers[k + ONE]
        row_c = bounds.layers[k + TWO]
        row_d = bounds.layers[k + THREE]
        weight_a = bounds.weights[k]
        weight_b = bounds.weights[k + ONE]
        weight_c = bounds.weights[k + TWO]
        weight_d = bounds.weights[k + THREE]
        central_a = bounds.central[k]
        central_b = bounds.central[k + ONE]
        central_c = bounds.central[k + TWO]
        central_d = bounds.central[k + THREE]
        for i in range(width):
            least = block[LEAST + i]
            most = block[MOST + i]
            a = cube[row_a, start + i]
            b = cube[row_b, start + i]
            c = cube[row_c, start + i]
            d = cube[row_d, start + i]
            under = (np.int32(a < least) + np.int32(b < least)) + (
                np.int32(c < least) + np.int32(d < least)
            )
            over = (np.int32(a > most) + np.int32(b > most)) + (
                np.int32(c > most) + np.int32(d > most)
            )
            block[UNDER + i] += np.float32(under)
            block[OVER + i] += np.float32(over)
            a -= block[MIDST + i]
            b -= block[MIDST + i]
            c -= block[MIDST + i]
            d -= block[MIDST + i]
            block[SUM + i] += (weight_a * a + weight_b * b) + (weight_c * c + weight_d * d)
            block[CENTRAL + i] += (central_a * a + central_b * b) + (central_c * c + central_d * d)


@inner_fast
def _sum_pulled(
    cube: Floats, start: Index, width: Index, bounds: Bounds, pull: np.float32, block: Lanes
) -> None:
    """Bound the mean of values pulled in, from both sides.

    If the centre is B at most, no value is pulled up beyond B - pull, so that
    the next centre is at most the mean of the values raised to that; likewise
    below. Where these two means lie in [A, B], so do all centres.
    """
    for i in range(WIDTH):
        block[PULLED_UP + i] = _ZERO
        block[PULLED_DOWN + i] = _ZERO
    for k in range(np.uint64(bounds.layers.size)):
        row = bounds.layers[k]
        weight = bounds.central[k]
        for i in range(width):
            value = cube[row, start + i] - block[MIDST + i]
            floor = block[MOST + i] - block[MIDST + i] - pull
            ceiling = block[LEAST + i] - block[MIDST + i] + pull
            block[PULLED_UP + i] += weight * upper(value, floor)
            block[PULLED_DOWN + i] += weight * lower(value, ceiling)
