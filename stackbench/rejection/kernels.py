"""The combining kernels: one walk over a cube for each way of rejecting."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast
from stackbench.rejection.averaging import (
    average,
    average_rows,
    average_trimmed,
    count_finite,
    trim,
)
from stackbench.rejection.clipping import (
    BELOW,
    CENTRE,
    KEPT,
    REACH,
    TOTAL,
    UNLIMITED,
    count_below,
    gather,
    settle,
    tighten,
)
from stackbench.rejection.lanes import NONE, WIDTH, Index, lower, upper, where
from stackbench.rejection.scaled_clipping import (
    MIDDLE,
    changed,
    count_below_scaled,
    gather_scaled,
    tighten_scaled,
)
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
from stackbench.rejection.winsorising import spread_limits, winsorise

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Counts = NDArray[np.uint16]
Steps = NDArray[np.uint64]

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_THREE = np.float32(3)
_MEAN_TO_SIGMA = np.float32(1.2533141)  # sqrt(pi / 2): mean deviation of a Gaussian
_INFINITY = np.float32(np.inf)


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
    """
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        _begin(cube, first, width, steps, start, noise, columns, block)
        _first_limits(kappa, noise, unequal, block)
        if unequal:
            gather_scaled(cube, first, width, inverse_noise, block)
            for _ in range(iterations):
                tighten_scaled(depth, factors, kappa, shift, block)
                gather_scaled(cube, first, width, inverse_noise, block)
                if not changed(block):
                    break
            count_below_scaled(cube, first, width, inverse_noise, block)
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
            _write_mean(first, width, block, mean)
        _write_counts(first, width, block, kept, low, high)


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
    """Combine with winsorised κσ; arguments as for `clip_cube`."""
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        _begin(cube, first, width, steps, start, noise, columns, block)
        winsorise(columns, depth, noise, iterations, block)
        if unequal:
            spread_limits(factors, noise, block)
            gather_scaled(cube, first, width, inverse_noise, block)
            count_below_scaled(cube, first, width, inverse_noise, block)
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
            _write_mean(first, width, block, mean)
        _write_counts(first, width, block, kept, low, high)


@compiled_fast
def trim_cube(
    cube: Floats,
    steps: Steps,
    lowest: np.float32,
    highest: np.float32,
    weights: Doubles,
    columns: Lanes,
    block: Lanes,
    sums: Doubles,
    mean: Floats,
    kept: Counts,
    low: Counts,
    high: Counts,
) -> None:
    """Combine without the lowest and highest values."""
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        load(cube, first, width, columns, block)
        sort(columns, steps)
        medians(columns, depth, block)
        trim(lowest, highest, depth, block)
        if weights.size > 0:
            average_trimmed(cube, first, width, weights, columns, block, sums, mean)
        else:
            average_rows(columns, depth, first, width, block, sums, mean)
        _write_counts(first, width, block, kept, low, high)


@compiled_fast
def median_cube(
    cube: Floats,
    steps: Steps,
    columns: Lanes,
    block: Lanes,
    mean: Floats,
    kept: Counts,
    low: Counts,
    high: Counts,
) -> None:
    """Take the median."""
    depth = np.uint64(cube.shape[0])
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        load(cube, first, width, columns, block)
        sort(columns, steps)
        medians(columns, depth, block)
        for i in range(WIDTH):
            block[KEPT + i] = block[VALID + i]
            block[BELOW + i] = _ZERO
            block[TOTAL + i] = _ZERO
        _write_mean(first, width, block, mean)
        _write_counts(first, width, block, kept, low, high)


@compiled_fast
def average_cube(
    cube: Floats,
    ones: Floats,
    weights: Doubles,
    block: Lanes,
    sums: Doubles,
    mean: Floats,
    kept: Counts,
    low: Counts,
    high: Counts,
) -> None:
    """Take the weighted mean of everything finite."""
    pixels = np.uint64(cube.shape[1])
    for first in range(NONE, pixels, WIDTH):
        width = min(WIDTH, pixels - first)
        for i in range(WIDTH):
            block[CENTRE + i] = _ZERO
            block[MIDDLE + i] = _ZERO
            block[REACH + i] = np.finfo(np.float32).max
        count_finite(cube, first, width, block)
        average(cube, first, width, ones, weights, block, sums, mean)
        _write_counts(first, width, block, kept, low, high)


@compiled_fast
def _begin(
    cube: Floats,
    first: Index,
    width: Index,
    steps: Steps,
    start: Floats,
    noise: np.float32,
    columns: Lanes,
    block: Lanes,
) -> None:
    """Sort a block and set each lane's centre and scale, robustly.

    `start` holds, for each count, the factor from MAD to first scale. The scale
    goes to `REACH`, and is never less than the expected noise.
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


@compiled_fast
def _first_limits(kappa: Floats, noise: np.float32, unequal: np.bool_, block: Lanes) -> None:
    """Turn centre and scale into the first limits; under three values keep all."""
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


@compiled_fast
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


@compiled_fast
def _write_mean(first: Index, width: Index, block: Lanes, mean: Floats) -> None:
    """Write the plain mean of the values kept; NaN where there is none."""
    for i in range(width):
        mean[first + i] = block[MEDIAN + i] + block[TOTAL + i] / block[KEPT + i]


@compiled_fast
def _write_counts(
    first: Index, width: Index, block: Lanes, kept: Counts, low: Counts, high: Counts
) -> None:
    """Write how many values were kept, and rejected on either side."""
    for i in range(width):
        kept[first + i] = np.uint16(np.int32(block[KEPT + i]))
    for i in range(width):
        low[first + i] = np.uint16(np.int32(block[BELOW + i]))
    for i in range(width):
        above = block[VALID + i] - block[KEPT + i] - block[BELOW + i]
        high[first + i] = np.uint16(np.int32(above))
