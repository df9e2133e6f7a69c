"""The middle of some values and their spread, whatever a few of them do."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

MAD_TO_SIGMA = 1.482602218505602
"""1 / Φ⁻¹(3/4): turns the median absolute deviation of a normal sample into σ."""


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
    ordered = values.flatten()
    defined = ordered.size - int(np.count_nonzero(np.isnan(ordered)))
    if defined == 0:
        return np.nan
    # NaN goes to the end. Asked for both middle values, numpy takes five times as long.
    middle = defined // 2
    ordered.partition(middle)
    high = ordered[middle]
    low = high if defined % 2 else ordered[:middle].max()
    return (float(low) + float(high)) / 2


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
