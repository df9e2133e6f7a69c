"""The middle of some values and their spread, whatever a few of them do."""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

MAD_TO_SIGMA = 1.482602218505602
"""1 / Φ⁻¹(3/4): turns the median absolute deviation of a normal sample into σ."""

_MANY = 1 << 22
_SAMPLED = 61  # one value in so many; a prime, to be in step with few widths
_PART = 1 << 16  # values that stay in the processor's cache


def median(values: NDArray[np.floating[Any] | np.integer[Any]]) -> float:
    """Return the median.

    Parameters
    ----------
    values : ndarray, any shape
        The values; NaN is left out. Not modified.

    Returns
    -------
    float
        The mean of the two middle values when their number is even; NaN when
        no value is defined.
    """
    flat = values.reshape(-1)
    if flat.size >= _MANY and np.issubdtype(flat.dtype, np.floating):
        near, below, defined = _near_the_middle(flat)
        first = (defined - 1) // 2 - below
        if first >= 0 and defined // 2 - below < near.size:
            return _middle(near, below=below, defined=defined)
    ordered = flat.copy()
    defined = ordered.size - int(np.count_nonzero(np.isnan(ordered)))
    return _middle(ordered, below=0, defined=defined) if defined else np.nan


def mad_sigma(values: NDArray[np.floating[Any] | np.integer[Any]], centre: float) -> float:
    """Return σ as told by the median absolute deviation from a centre.

    Parameters
    ----------
    values : ndarray, any shape
        The values; NaN is left out. Not modified.
    centre : float
        In their unit, usually their median.

    Returns
    -------
    float
        In their unit; that of a normal sample has the right scale. NaN when no
        value is defined.
    """
    return MAD_TO_SIGMA * median(np.abs(values - centre))


def _middle(values: NDArray[Any], *, below: int, defined: int) -> float:
    """Order values, of which NaN go to the end, as far as the median of all needs it.

    `below` of the `defined` values in all are left out of `values`, being lower.
    """
    middle = defined // 2 - below
    # asked for both middle values, numpy takes five times as long
    values.partition(middle)
    high = values[middle]
    low = high if defined % 2 else values[:middle].max()
    return (float(low) + float(high)) / 2


def _near_the_middle(values: NDArray[Any]) -> tuple[NDArray[Any], int, int]:
    """Pick the values among which a sample says that the median is.

    To order all takes twice as long, and as much memory again. Returned are the
    picked values, how many are lower, and how many are defined.
    """
    sample = np.sort(values[::_SAMPLED])  # NaN at the end
    drawn = sample.size - int(np.count_nonzero(np.isnan(sample)))
    if drawn == 0:
        return sample, 0, 0
    # σ of the sample's rank of the median is √n / 2
    apart = 3 * math.isqrt(drawn) + 1
    low = sample[max(0, drawn // 2 - apart)]
    high = sample[min(drawn - 1, drawn // 2 + apart)]
    near, below, above = [], 0, 0
    for start in range(0, values.size, _PART):
        part = values[start : start + _PART]
        lower, upto = part < low, part <= high
        near.append(part[lower != upto])
        below += int(np.count_nonzero(lower))
        above += int(np.count_nonzero(part > high))
    picked = np.concatenate(near)
    return picked, below, below + picked.size + above
