"""Frames on which nothing can be seen: one value everywhere, or none."""

import math
from itertools import pairwise

import numpy as np

from stackbench.frames.rows import RowSource

# The first rows of nearly every frame tell already that its values differ.
_FIRST_ROWS = 4
_BAND_ROWS = 256


def single_value(source: RowSource) -> float | None:
    """Tell the one value that all pixels of a frame have.

    Parameters
    ----------
    source : RowSource
        A raw frame, ADU.

    Returns
    -------
    float or None
        NaN when no pixel is defined; None when the values differ, as those of
        every exposure do. Undefined pixels (NaN, infinite) do not count.
    """
    ny, _ = source.shape
    value = math.nan
    edges = [0, *range(min(_FIRST_ROWS, ny), ny, _BAND_ROWS), ny]
    for start, stop in pairwise(edges):
        rows = source.rows(start, stop)
        defined = rows[np.isfinite(rows)]
        if not defined.size:
            continue
        lowest, highest = float(defined.min()), float(defined.max())
        if lowest != highest or not (math.isnan(value) or value == lowest):
            return None
        value = lowest
    return value
