"""The clip kernels: one walk over a cube, block of lanes by block of lanes."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast
from stackbench.rejection.averaging import Counts, average, write_counts, write_mean
from stackbench.rejection.beginning import begin, first_limits
from stackbench.rejection.clipping import CENTRE, count_below, gather, settle, tighten
from stackbench.rejection.lanes import NONE, WIDTH
from stackbench.rejection.scaled_clipping import MIDDLE, changed, gather_scaled, tighten_scaled
from stackbench.rejection.sorting import Lanes
from stackbench.rejection.winsorising import spread_limits, winsorise

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Steps = NDArray[np.uint64]

_ZERO = np.float32(0)
_UNIT = np.float32(1)


@compiled_fast
def clip_cube(
    cube: Floats,
    steps: Steps,
    kappa: Floats,
    start: Floats,
    factors: Floats,
    shift: np.float32,
    iterations: int,
    noise: np.float32,
    inverse_noise: Floats,
    unequal: np.bool_,
    weights: Doubles,
    columns: Lanes,
    block: Lanes,
    sums: Doubles,
    mean: Floats,
    kept: Counts,
    low: Counts,
    high: Counts,
) -> None:
    """Combine with κσ clipping.

    `noise` is the expected noise, typical of the layers (0: not known);
    `inverse_noise` gives each layer's own if they are `unequal`, else ones.
    Without `weights` (size 0) the mean is plain.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    steps : ndarray, shape (steps, 4), uint64
        The sorting network.
    kappa : ndarray, shape (2,), float32
        κ below and above the centre.
    start : ndarray, shape (depth + 1,), float32
        Factor from MAD to first scale, for each count.
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    shift : float32
        What unequal κ displace the mean by, in units of the spread.
    iterations : int
        Most passes.
    noise : float32
        Expected noise, typical of the layers; 0 if it is not known.
    inverse_noise : ndarray, shape (depth,), float32
        One over each layer's expected noise; ones unless `unequal`.
    unequal : bool
        Whether the layers differ in noise.
    weights : ndarray, shape (depth,), float64
        Weight of each layer; of size 0 for a plain mean.
    columns : ndarray, shape (depth × LANES,), float32
        Scratch space.
    block : ndarray, shape (FIELDS × LANES,), float32
        Scratch space.
    sums : ndarray, shape (2 × LANES,), float64
        Scratch space.
    mean : ndarray, shape (n,), float32
        Written to.
    kept, low, high : ndarray, shape (n,), uint16
        Written to.
    """
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        begin(cube, first, width, steps, start, noise, columns, block)
        first_limits(kappa, noise, unequal, block)
        if unequal:
            gather_scaled(cube, first, width, inverse_noise, block)
            for _ in range(iterations):
                tighten_scaled(depth, factors, kappa, shift, block)
                gather_scaled(cube, first, width, inverse_noise, block)
                if not changed(block):
                    break
        else:
            gather(columns, depth, block)
            tighten(depth, factors, kappa, noise, shift, block)
            gather(columns, depth, block)
            if iterations > 1:
                settle(columns, depth, factors, kappa, noise, shift, iterations - 1, block)
            count_below(columns, depth, block)
        if unequal or weights.size > 0:
            average(cube, first, width, inverse_noise, weights, block, sums, mean)
        else:
            write_mean(first, width, block, mean)
        write_counts(first, width, block, kept, low, high)


@compiled_fast
def winsorise_cube(
    cube: Floats,
    steps: Steps,
    start: Floats,
    factors: Floats,
    iterations: int,
    noise: np.float32,
    inverse_noise: Floats,
    unequal: np.bool_,
    weights: Doubles,
    columns: Lanes,
    block: Lanes,
    sums: Doubles,
    mean: Floats,
    kept: Counts,
    low: Counts,
    high: Counts,
) -> None:
    """Combine with winsorised κσ; arguments as for `clip_cube`.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    steps : ndarray, shape (steps, 4), uint64
        The sorting network.
    start : ndarray, shape (depth + 1,), float32
        Factor from MAD to first scale, for each count.
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    iterations : int
        Most passes.
    noise : float32
        Expected noise, typical of the layers; 0 if it is not known.
    inverse_noise : ndarray, shape (depth,), float32
        One over each layer's expected noise; ones unless `unequal`.
    unequal : bool
        Whether the layers differ in noise.
    weights : ndarray, shape (depth,), float64
        Weight of each layer; of size 0 for a plain mean.
    columns : ndarray, shape (depth × LANES,), float32
        Scratch space.
    block : ndarray, shape (FIELDS × LANES,), float32
        Scratch space.
    sums : ndarray, shape (2 × LANES,), float64
        Scratch space.
    mean : ndarray, shape (n,), float32
        Written to.
    kept, low, high : ndarray, shape (n,), uint16
        Written to.
    """
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        begin(cube, first, width, steps, start, noise, columns, block)
        winsorise(columns, depth, noise, iterations, block)
        if unequal:
            spread_limits(factors, noise, block)
            gather_scaled(cube, first, width, inverse_noise, block)
        else:
            spread_limits(factors, _UNIT, block)
            for i in range(WIDTH):
                block[CENTRE + i] += block[MIDDLE + i]
                block[MIDDLE + i] = _ZERO
            gather(columns, depth, block)
            count_below(columns, depth, block)
        if unequal or weights.size > 0:
            average(cube, first, width, inverse_noise, weights, block, sums, mean)
        else:
            write_mean(first, width, block, mean)
        write_counts(first, width, block, kept, low, high)
