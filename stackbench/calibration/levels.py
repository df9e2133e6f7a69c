"""The level of single raw frames, finer than whole ADU, and how it wanders."""

from collections.abc import Sequence

import numpy as np

from stackbench.calibration.statistics import clipped_moments
from stackbench.calibration.survey import sample_rows
from stackbench.frames.rows import RowSource


def frame_levels(sources: Sequence[RowSource]) -> tuple[float, ...]:
    """Measure the level of each of some frames.

    Parameters
    ----------
    sources : sequence of RowSource
        Raw frames, ADU.

    Returns
    -------
    tuple of float
        The mean of a sample of rows without far outliers, ADU. A median would
        be coarse, because camera data come in whole ADU.
    """
    return tuple(clipped_moments(sample_rows(source))[0] for source in sources)


def level_error(levels: Sequence[float]) -> float:
    """Tell how well the mean of frames' levels is known.

    Parameters
    ----------
    levels : sequence of float
        From `frame_levels`.

    Returns
    -------
    float
        Their scatter over the root of their number, ADU; 0 for fewer than two.
    """
    if len(levels) < 2:
        return 0.0
    return float(np.std(levels, ddof=1) / np.sqrt(len(levels)))
