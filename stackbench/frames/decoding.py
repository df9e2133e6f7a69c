"""Stored pixels → physical values: the compiled kernels behind `pixels.decode`."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled


@compiled
def decode_16_bit(
    stored: NDArray[np.uint16],
    swap: bool,  # noqa: FBT001 (numba kernels take positional arguments)
    bscale: float,
    bzero: float,
    blank: int,
    out: NDArray[np.float32],
) -> None:
    """Turn 16-bit signed stored values into physical values.

    Parameters
    ----------
    stored : ndarray, shape (n,), uint16
        The bytes as they lie in the file, read in this machine's order.
    swap : bool
        This machine's order is not that of the file.
    bscale, bzero : float
        Physical value = bzero + bscale × stored.
    blank : int
        Stored value that means undefined; outside −32768 … 32767 for none.
    out : ndarray, shape (n,), float32
        Receives the values, rounded once from float64; NaN where undefined.
    """
    # Widened to int32: shifts of uint16 would become 64-bit and five times slower.
    low, high = np.int32(0xFFFF), np.int32(8)
    for i in range(stored.size):
        word = np.int32(stored[i])
        if swap:
            word = ((word << high) | (word >> high)) & low
        out[i] = np.float32(bzero + bscale * np.float64(np.int16(word)))
    if -32768 <= blank <= 32767:
        marked = np.int32(blank) & low
        if swap:
            marked = ((marked << high) | (marked >> high)) & low
        for i in range(stored.size):
            if np.int32(stored[i]) == marked:
                out[i] = np.nan


@compiled
def decode_16_bit_unscaled(
    stored: NDArray[np.uint16],
    swap: bool,  # noqa: FBT001
    bzero: int,
    out: NDArray[np.float32],
) -> None:
    """Turn 16-bit signed values with BSCALE 1 and a whole BZERO into physical ones.

    Parameters
    ----------
    stored : ndarray, shape (n,), uint16
        The bytes as they lie in the file, read in this machine's order.
    swap : bool
        This machine's order is not that of the file.
    bzero : int
        Physical value = bzero + stored; at most 2^23 in size, so that the sum
        is exact in float32.
    out : ndarray, shape (n,), float32
        Receives the values.
    """
    zero = np.float32(bzero)
    low, high = np.int32(0xFFFF), np.int32(8)
    for i in range(stored.size):
        word = np.int32(stored[i])
        if swap:
            word = ((word << high) | (word >> high)) & low
        out[i] = np.float32(np.int16(word)) + zero
