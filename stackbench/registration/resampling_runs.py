"""Kernels that filter a run of pixels: out[i] = Σ_k w_k(i) · tap_k[i], and limit ringing.

The taps are neighbouring pixels of a row (`stride` 1), or of a column (`stride`
is what lies from row to row); `source` is flat. A value may lie below the
lowest of the nearest four (or five) taps by at most `slack` + `share` × (their
highest − their lowest); see `stackbench.registration.resampling` for why.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import Index

F32 = NDArray[np.float32]

BESIDE = np.int64(1)
"""How far the taps of a row lie apart; typed, as numba compiles anew for a plain 1."""


class Ringing(NamedTuple):
    """How far below its nearest taps a value may lie."""

    slack: np.float32
    share: np.float32  # of the range of the taps


class Ramp(NamedTuple):
    """Room for weights that change in a straight line over a run."""

    low: F32  # the six of the first pixel
    rise: F32  # by what they grow from pixel to pixel
    steps: F32  # 0, 1, 2 …


@inner_fast
def even_run(source: F32, start: Index, out: F32, n: int, weights: F32, ringing: Ringing) -> None:
    """Filter neighbouring pixels of a row with the same weights.

    Parameters
    ----------
    source : ndarray, 1-D, float32
        Pixels, all finite.
    start : int
        Index of the first pixel's first tap.
    out : ndarray, 1-D, float32
        Where the results go.
    n : int
        How many.
    weights : ndarray, float32
        Six weights.
    ringing : Ringing
        The ringing limit.
    """
    s0 = source[start : start + n]
    s1 = source[start + 1 : start + 1 + n]
    s2 = source[start + 2 : start + 2 + n]
    s3 = source[start + 3 : start + 3 + n]
    s4 = source[start + 4 : start + 4 + n]
    s5 = source[start + 5 : start + 5 + n]
    a0, a1, a2 = weights[0], weights[1], weights[2]
    a3, a4, a5 = weights[3], weights[4], weights[5]
    for i in range(n):
        c1, c2, c3, c4 = s1[i], s2[i], s3[i], s4[i]
        value = a0 * s0[i] + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * s5[i]
        out[i] = _held(value, _lowest(c1, c2, c3, c4), _highest(c1, c2, c3, c4), ringing)


@inner_fast
def straight_run(
    source: F32, start: Index, out: F32, n: int, ramp: Ramp,
    ringing: Ringing,
) -> None:  # fmt: skip
    """Filter neighbouring pixels of a row with weights that change in a straight line.

    Parameters
    ----------
    source : ndarray, 1-D, float32
        Pixels, all finite.
    start : int
        Index of the first pixel's first tap.
    out : ndarray, 1-D, float32
        Where the results go.
    n : int
        How many.
    ramp : Ramp
        The weights.
    ringing : Ringing
        The ringing limit.
    """
    s0 = source[start : start + n]
    s1 = source[start + 1 : start + 1 + n]
    s2 = source[start + 2 : start + 2 + n]
    s3 = source[start + 3 : start + 3 + n]
    s4 = source[start + 4 : start + 4 + n]
    s5 = source[start + 5 : start + 5 + n]
    low, rise, steps = ramp
    a0, a1, a2, a3, a4, a5 = low[0], low[1], low[2], low[3], low[4], low[5]
    b0, b1, b2, b3, b4, b5 = rise[0], rise[1], rise[2], rise[3], rise[4], rise[5]
    for i in range(n):
        c1, c2, c3, c4 = s1[i], s2[i], s3[i], s4[i]
        base = a0 * s0[i] + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * s5[i]
        turn = b0 * s0[i] + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * s5[i]
        value = base + steps[i] * turn
        out[i] = _held(value, _lowest(c1, c2, c3, c4), _highest(c1, c2, c3, c4), ringing)


@inner_fast
def laid_run(
    source: F32, start: Index, stride: Index, out: F32, n: Index, laid: F32, first: Index,
    ringing: Ringing,
) -> None:  # fmt: skip
    """Filter pixels with weights of their own, laid out beside each other.

    Parameters
    ----------
    source : ndarray, 1-D, float32
        Pixels, all finite.
    start : int
        Index of the first pixel's first tap.
    stride : int
        How far the taps of one pixel lie apart.
    out : ndarray, 1-D, float32
        Where the results go.
    n : int
        How many.
    laid : ndarray, shape (6, …), float32
        The weights of each tap.
    first : int
        Which of them belong to the first pixel.
    ringing : Ringing
        The ringing limit.
    """
    s0 = source[start : start + n]
    s1 = source[start + stride : start + stride + n]
    s2 = source[start + 2 * stride : start + 2 * stride + n]
    s3 = source[start + 3 * stride : start + 3 * stride + n]
    s4 = source[start + 4 * stride : start + 4 * stride + n]
    s5 = source[start + 5 * stride : start + 5 * stride + n]
    w0 = laid[0, first : first + n]
    w1 = laid[1, first : first + n]
    w2 = laid[2, first : first + n]
    w3 = laid[3, first : first + n]
    w4 = laid[4, first : first + n]
    w5 = laid[5, first : first + n]
    for i in range(n):
        c1, c2, c3, c4 = s1[i], s2[i], s3[i], s4[i]
        value = w0[i] * s0[i] + w1[i] * c1 + w2[i] * c2
        value += w3[i] * c3 + w4[i] * c4 + w5[i] * s5[i]
        out[i] = _held(value, _lowest(c1, c2, c3, c4), _highest(c1, c2, c3, c4), ringing)


@inner_fast
def strip_run(
    source: F32, start: Index, stride: Index, out: F32, n: int, strip: F32, first: Index,
    ringing: Ringing,
) -> None:  # fmt: skip
    """Filter pixels with tabulated weights, seven taps each.

    Parameters
    ----------
    source : ndarray, 1-D, float32
        Pixels, all finite.
    start : int
        Index of the first pixel's first tap.
    stride : int
        How far the taps of one pixel lie apart.
    out : ndarray, 1-D, float32
        Where the results go.
    n : int
        How many.
    strip : ndarray, shape (7, …), float32
        The weights of each tap.
    first : int
        Which of them belong to the first pixel.
    ringing : Ringing
        The ringing limit.
    """
    s0 = source[start : start + n]
    s1 = source[start + stride : start + stride + n]
    s2 = source[start + 2 * stride : start + 2 * stride + n]
    s3 = source[start + 3 * stride : start + 3 * stride + n]
    s4 = source[start + 4 * stride : start + 4 * stride + n]
    s5 = source[start + 5 * stride : start + 5 * stride + n]
    s6 = source[start + 6 * stride : start + 6 * stride + n]
    w0 = strip[0, first : first + n]
    w1 = strip[1, first : first + n]
    w2 = strip[2, first : first + n]
    w3 = strip[3, first : first + n]
    w4 = strip[4, first : first + n]
    w5 = strip[5, first : first + n]
    w6 = strip[6, first : first + n]
    for i in range(n):
        c1, c2, c3, c4, c5 = s1[i], s2[i], s3[i], s4[i], s5[i]
        value = w0[i] * s0[i] + w1[i] * c1 + w2[i] * c2 + w3[i] * c3
        value += w4[i] * c4 + w5[i] * c5 + w6[i] * s6[i]
        floor, top = _lowest(c1, c2, c3, c4), _highest(c1, c2, c3, c4)
        floor = floor if floor < c5 else c5
        top = top if top > c5 else c5
        out[i] = _held(value, floor, top, ringing)


@inner_fast
def _lowest(a: np.float32, b: np.float32, c: np.float32, d: np.float32) -> np.float32:
    low = a if a < b else b
    other = c if c < d else d
    return low if low < other else other


@inner_fast
def _highest(a: np.float32, b: np.float32, c: np.float32, d: np.float32) -> np.float32:
    high = a if a > b else b
    other = c if c > d else d
    return high if high > other else other


@inner_fast
def _held(value: np.float32, floor: np.float32, top: np.float32, ringing: Ringing) -> np.float32:
    """Keep a value from falling too far below its nearest taps."""
    limit = floor - ringing.slack - ringing.share * (top - floor)
    return value if value > limit else limit
