"""The middle values of many float32 numbers in two passes, without a sort."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled


def radix_select(bits: NDArray[np.uint32]) -> tuple[np.float32, np.float32]:
    """Return the lower and the upper middle value.

    Parameters
    ----------
    bits : ndarray, shape (n,), uint32
        The bit patterns of float32 values; NaN is left out.

    Returns
    -------
    low, high : float32
        Both are the median when the number of defined values is odd, NaN when
        there is none.
    """
    counts = np.zeros(1 << 16, dtype=np.int64)
    count_high_halves(bits, counts)
    total = int(counts.sum())
    if total == 0:
        return np.float32(np.nan), np.float32(np.nan)
    ends = np.cumsum(counts)
    low = _value_of_rank(bits, ends, (total - 1) // 2)
    high = low if total % 2 else _value_of_rank(bits, ends, total // 2)
    return low, high


def _value_of_rank(bits: NDArray[np.uint32], ends: NDArray[np.int64], rank: int) -> np.float32:
    """Return the value with `rank` values below it (0 is the smallest)."""
    upper = int(np.searchsorted(ends, rank, side="right"))
    below = int(ends[upper - 1]) if upper else 0
    counts = np.zeros(1 << 16, dtype=np.int64)
    _count_low_halves(bits, np.uint32(upper), counts)
    lower = int(np.searchsorted(np.cumsum(counts), rank - below, side="right"))
    key = np.uint32((upper << 16) | lower)
    # Undo the ordering of `count_high_halves`.
    pattern = key ^ np.uint32(0x80000000) if key & np.uint32(0x80000000) else ~key
    return np.float32(np.array([pattern], dtype=np.uint32).view(np.float32)[0])


@compiled
def count_high_halves(bits: NDArray[np.uint32], counts: NDArray[np.int64]) -> None:
    """Count the defined values by the upper 16 bits of their ordered pattern.

    IEEE patterns order like integers once the sign bit of positive numbers is
    set and all bits of negative numbers are turned over.

    Parameters
    ----------
    bits : ndarray, 1-D, uint32
        The patterns of float32 values.
    counts : ndarray, shape (65536,), int64
        Receives one more for each value.
    """
    for i in range(bits.size):
        word = bits[i]
        if (word & np.uint32(0x7FFFFFFF)) > np.uint32(0x7F800000):
            continue  # NaN
        negative = word & np.uint32(0x80000000)
        word = ~word if negative else word | np.uint32(0x80000000)
        counts[word >> np.uint32(16)] += 1


@compiled
def _count_low_halves(
    bits: NDArray[np.uint32], upper: np.uint32, counts: NDArray[np.int64]
) -> None:
    """Count, among the values with this upper half, by their lower 16 bits."""
    for i in range(bits.size):
        word = bits[i]
        if (word & np.uint32(0x7FFFFFFF)) > np.uint32(0x7F800000):
            continue
        negative = word & np.uint32(0x80000000)
        word = ~word if negative else word | np.uint32(0x80000000)
        if (word >> np.uint32(16)) == upper:
            counts[word & np.uint32(0xFFFF)] += 1
