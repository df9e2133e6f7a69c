"""The kernel of both clips: one walk over a cube, block of lanes by block of lanes."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast, inlined, inner_fast
from stackbench.frames.instructions import lower, where
from stackbench.rejection.averaging import average, write_counts, write_mean
from stackbench.rejection.beginning import begin, first_limits
from stackbench.rejection.buffers import Aside, Results, Scratch
from stackbench.rejection.clipping import count_below, gather, settle, tighten
from stackbench.rejection.lanes import NONE, ONE, WIDTH, Index
from stackbench.rejection.scaled_clipping import changed, gather_scaled, tighten_scaled
from stackbench.rejection.untouched import UNTOUCHED, Bounds, average_untouched
from stackbench.rejection.winsorising import spread_limits, winsorise

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_ZERO = np.float32(0)
_UNIT = np.float32(1)


class Tables(NamedTuple):
    """What a clip goes by."""

    steps: NDArray[np.uint64]  # the sorting network
    kappa: Floats  # below and above the centre
    start: Floats  # factor from MAD to first scale, for each count
    factors: Floats  # limits for each count, as the tables of `limits` give them
    shift: np.float32  # what unequal κ displace the mean by, in units of the spread
    iterations: int  # most passes
    noise: np.float32  # expected noise, typical of the layers; 0 if it is not known
    inverse_noise: Floats  # of each layer; ones unless `unequal`
    unequal: np.bool_  # whether the layers differ in noise
    weights: Doubles  # of each layer; none for a plain mean


@compiled_fast
def clip_cube(
    cube: Floats,
    tables: Tables,
    bounds: Bounds,
    pull: np.float32 | None,
    scratch: Scratch,
    aside: Aside,
    results: Results,
) -> None:
    """Combine with κσ clipping, or winsorised.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    tables : Tables
        What the clip goes by.
    bounds : Bounds
        By which columns are known from which the clip takes nothing; the
        others are put aside, and clipped when they fill a block.
    pull : float32 or None
        Least distance from the centre beyond which values are pulled in; None
        for κσ.
    scratch : Scratch
        Working space.
    aside : Aside
        Working space.
    results : Results
        Written to.
    """
    pixels = np.uint64(cube.shape[1])
    all_of_them = bounds.layers.size == 0
    values, clipped = (cube, results) if all_of_them else (aside.cube, aside.results)
    waiting: Index = NONE
    for first in range(NONE, pixels, WIDTH):
        width = lower(WIDTH, pixels - first)
        if all_of_them:
            waiting = width
        else:
            average_untouched(cube, first, width, bounds, pull, scratch.block, results.mean)
            waiting = _put_aside(cube, first, width, waiting, scratch.block, aside, results)
        while waiting >= WIDTH or (waiting > NONE and first + width == pixels):
            count = lower(WIDTH, waiting)
            waiting -= count
            _clip_block(
                values, first if all_of_them else waiting, count, tables, pull, scratch, clipped
            )
            if not all_of_them:
                _put_back(waiting, count, aside, results)


@inner_fast
def _put_aside(
    cube: Floats,
    first: Index,
    width: Index,
    waiting: Index,
    block: Floats,
    aside: Aside,
    results: Results,
) -> Index:
    """Copy a block's touched columns behind those that wait; return how many wait."""
    depth = np.uint64(cube.shape[0])
    for i in range(width):
        results.kept[first + i] = np.uint16(depth)
        results.low[first + i] = np.uint16(0)
        results.high[first + i] = np.uint16(0)
    before = waiting
    for i in range(width):
        # No branch, which the processor would often guess wrongly.
        aside.pixels[waiting] = first + i
        waiting += where(block[UNTOUCHED + i] == _ZERO, ONE, NONE)
    for d in range(depth):
        for k in range(before, waiting):
            aside.cube[d, k] = cube[d, aside.pixels[k]]
    return waiting


@inner_fast
def _put_back(first: Index, count: Index, aside: Aside, results: Results) -> None:
    """Write what became of columns put aside to where they are from."""
    for i in range(first, first + count):
        pixel = aside.pixels[i]
        results.mean[pixel] = aside.results.mean[i]
        results.kept[pixel] = aside.results.kept[i]
        results.low[pixel] = aside.results.low[i]
        results.high[pixel] = aside.results.high[i]


@inlined
def _clip_block(
    cube: Floats,
    first: Index,
    width: Index,
    tables: Tables,
    pull: np.float32 | None,
    scratch: Scratch,
    results: Results,
) -> None:
    """Clip one block."""
    depth = np.uint64(cube.shape[0])
    kappa = tables.kappa
    noise = tables.noise
    inverse_noise = tables.inverse_noise
    factors = tables.factors
    shift = tables.shift
    iterations = tables.iterations
    unequal = tables.unequal
    weights = tables.weights
    columns = scratch.columns
    block = scratch.block
    begin(cube, first, width, tables.steps, tables.start, noise, columns, block)
    if pull is None:
        first_limits(kappa, noise, unequal, block)
    else:
        winsorise(columns, depth, noise, iterations, block)
        spread_limits(factors, noise if unequal else _UNIT, unequal, block)
    if unequal:
        gather_scaled(cube, first, width, inverse_noise, block)
        if pull is None:
            for _ in range(iterations):
                tighten_scaled(depth, factors, kappa, shift, block)
                gather_scaled(cube, first, width, inverse_noise, block)
                if not changed(block):
                    break
    else:
        gather(columns, depth, block)
        if pull is None:
            tighten(depth, factors, kappa, noise, shift, block)
            gather(columns, depth, block)
            if iterations > 1:
                settle(columns, depth, factors, kappa, noise, shift, iterations - 1, block)
        count_below(columns, depth, block)
    if unequal or weights.size > 0:
        average(cube, first, width, inverse_noise, weights, block, scratch.sums, results.mean)
    else:
        write_mean(first, width, block, results.mean)
    write_counts(first, width, block, results.kept, results.low, results.high)
