"""How much darker a flat is at its corners than where it is brightest."""

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.surroundings import tile_levels

_BRIGHTEST = 98.0  # per cent of the tiles: single ones may be bright for other reasons


def vignetting(flat: NDArray[np.float32]) -> float | None:
    """Tell which part of the light the corners lack.

    Parameters
    ----------
    flat : ndarray, shape (ny, nx), float32
        Master flat; NaN is left out.

    Returns
    -------
    float or None
        1 − (mean of the four corners) / (brightest part), each from medians of
        tiles of about 64 px; None when the flat is nowhere above zero.
    """
    if not np.isfinite(flat).any():
        return None
    level, _ = tile_levels(flat)
    brightest = float(np.percentile(level, _BRIGHTEST))
    corners = float(level[[0, 0, -1, -1], [0, -1, 0, -1]].mean())
    return None if brightest <= 0 else 1 - corners / brightest
