"""Kernels that filter one row of a block, run by run.

A run is as many pixels as can share how their weights are found: the phase, which
moves evenly along the row, changes little over it.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import Index, lower, upper
from stackbench.registration.lanczos import MARGIN, PHASES
from stackbench.registration.resampling_runs import (
    BESIDE,
    Ramp,
    Ringing,
    even_run,
    straight_run,
    strip_run,
)

F32 = NDArray[np.float32]

FLAT = 1.0 / PHASES
"""Phase over which weights are taken not to change at all, pixels."""

_BENT = 1.0 / 64.0  # phase over which weights are taken to change in a straight line

_EVEN = FLAT / 256  # phase per pixel up to which even runs are long enough to pay


@inner_fast
def _weigh(weights: F32, phase: float, taps: F32) -> None:
    """Look up the six weights at a phase, between the table's steps."""
    at = phase * PHASES + MARGIN
    j = np.int64(at)
    rest = np.float32(at - j)
    for k in range(6):
        taps[k] = weights[j, k] + rest * (weights[j + 1, k] - weights[j, k])


@inner_fast
def _even_row(
    source: F32, start: Index, out: F32, n: int, phase: float, slope: float, weights: F32,
    taps: F32, ringing: Ringing,
) -> None:  # fmt: skip
    """Filter one row in runs whose phase moves by at most FLAT."""
    longest: Index = n
    if abs(slope) * n > FLAT:
        longest = np.int64(FLAT / abs(slope)) // 8 * 8
    i = 0
    while i < n:
        count = lower(longest, n - i)
        middle = phase + slope * (i + 0.5 * (count - 1))
        base = np.int64(np.floor(middle))
        _weigh(weights, middle - base, taps)
        even_run(source, start + i + base - 2, out[i:], count, taps, ringing)
        i += count


@inner_fast
def _straight_line(phase: float, slope: float, count: int, weights: F32, ramp: Ramp) -> Index:
    """Put weights that change by at most _BENT on a straight line; return the first's pixel."""
    base = np.int64(np.floor(phase + slope * (0.5 * (count - 1))))
    # From the middle of the run its ends lie at most _BENT / 2 outside
    # [0, 1], where the table still holds weights.
    low, rise, _ = ramp
    _weigh(weights, phase - base, low)
    _weigh(weights, phase + slope * (count - 1) - base, rise)
    part = np.float32(1.0 / upper(count - 1, 1))
    for k in range(6):
        rise[k] = (rise[k] - low[k]) * part
    return base


@inner_fast
def _straight_length(slope: float, n: int) -> int:
    """Return how many of n pixels a straight line may serve."""
    return n if abs(slope) * n <= _BENT else upper(8, np.int64(_BENT / abs(slope)) // 8 * 8)


@inner_fast
def _straight_row(
    source: F32, start: Index, out: F32, n: int, phase: float, slope: float, weights: F32,
    ramp: Ramp, ringing: Ringing,
) -> None:  # fmt: skip
    """Filter one row in runs whose phase moves by at most _BENT."""
    longest = _straight_length(slope, n)
    i = 0
    while i < n:
        count = lower(longest, n - i)
        base = _straight_line(phase + slope * i, slope, count, weights, ramp)
        straight_run(source, start + i + base - 2, out[i:], count, ramp, ringing)
        i += count


@inner_fast
def lay_weights(
    phase: float, slope: float, n: int, weights: F32, ramp: Ramp, laid: F32
) -> tuple[Index, Index]:
    """Lay out the weights that a row of pixels has along its columns.

    The phase, and so the columns' first tap, changes by less than 1 over the row.

    Parameters
    ----------
    phase : float
        Position of the first pixel, in rows.
    slope : float
        By what it grows from pixel to pixel.
    n : int
        How many pixels.
    weights : ndarray
        From `phase_table`.
    ramp : Ramp
        Working space.
    laid : ndarray, shape (6, at least n), float32
        Written to.

    Returns
    -------
    first : int
        Row of the first pixel: its position, rounded down.
    turn : int
        First pixel that has another; n where none has.
    """
    longest = _straight_length(slope, n)
    low, rise, steps = ramp
    first: Index = 0
    turn = n
    i = 0
    while i < n:
        count = lower(longest, n - i)
        base = _straight_line(phase + slope * i, slope, count, weights, ramp)
        if i == 0:
            first = base
        elif base != first and turn == n:
            turn = i
        for k in range(6):
            line, start, step = laid[k, i : i + count], low[k], rise[k]
            for m in range(count):
                line[m] = start + steps[m] * step
        i += count
    return first, turn


@inner_fast
def strip_row(
    source: F32, start: Index, stride: Index, out: F32, n: int, phase: float, slope: float,
    strips: F32, ringing: Ringing,
) -> None:  # fmt: skip
    """Filter one row in runs that pass at most one pixel boundary.

    Parameters
    ----------
    source : ndarray, 1-D, float32
        Pixels, all finite.
    start : int
        Index of the pixel from which the phase counts.
    stride : int
        How far the taps of one pixel lie apart.
    out : ndarray, 1-D, float32
        Where the results go.
    n : int
        How many.
    phase : float
        Position of the first result, in taps.
    slope : float
        By what it grows from pixel to pixel, beyond the pixel itself.
    strips : ndarray
        From `strip_table`.
    ringing : Ringing
        The ringing limit.
    """
    fine = strips.shape[0]
    run = upper(np.int64(1.0 / abs(slope)) // 8 * 8, 1)
    origin = 0.0 if slope > 0 else 2.0
    i = 0
    while i < n:
        count = lower(run, n - i)
        left = phase + slope * i
        right = phase + slope * (i + count - 1)
        base = np.int64(np.floor(lower(left, right)))
        step = np.int64((left - base - origin) / slope * fine + 0.5)
        first = step // fine
        at = start + i + (base - 2) * stride
        strip = strips[step - first * fine]
        strip_run(source, at, stride, out[i:], count, strip, first, ringing)
        i += count


@inner_fast
def filter_row(
    source: F32, start: Index, out: F32, n: int, phase: float, slope: float, weights: F32,
    strips: F32, ramp: Ramp, ringing: Ringing,
) -> None:  # fmt: skip
    """Filter one row along itself in the way that its slope asks for.

    Parameters
    ----------
    source : ndarray, 1-D, float32
        Pixels, all finite.
    start : int
        Index of the pixel from which the phase counts.
    out : ndarray, 1-D, float32
        Where the results go.
    n : int
        How many.
    phase : float
        Position of the first result, pixels.
    slope : float
        By what it grows from pixel to pixel, beyond the pixel itself.
    weights : ndarray
        From `phase_table`.
    strips : ndarray
        From `strip_table`; of length 0 where the phase moves too slowly to need one.
    ramp : Ramp
        Working space.
    ringing : Ringing
        The ringing limit.
    """
    if strips.shape[0] > 0:
        strip_row(source, start, BESIDE, out, n, phase, slope, strips, ringing)
    elif abs(slope) <= _EVEN:
        _even_row(source, start, out, n, phase, slope, weights, ramp.low, ringing)
    else:
        _straight_row(source, start, out, n, phase, slope, weights, ramp, ringing)
