"""Light leaks and amplifier glow: what a dark shows that no dark current does."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.smooth import polynomial_terms, robust_fit
from stackbench.frames.robust import mad_sigma, median

_LEAST_TILES = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkShape:
    """How the signal of a dark varies over the frame, ADU.

    `level` is the median; `rise` the rise of the plane through the tiles from
    edge to edge, with 1σ `rise_error`. `glow` is how far the brightest
    tiles (the top 1 %, at least one) stand above that plane, `glow_error` the
    scatter of a tile, and `glow_place` says where they lie, in words.
    """

    level: float
    rise: float
    rise_error: float
    glow: float
    glow_error: float
    glow_place: str


def dark_shape(signal: NDArray[np.float64]) -> DarkShape | None:
    """Part the map of a dark into level, plane and local excess.

    Parameters
    ----------
    signal : ndarray, shape (number down, number across), float64
        From `dark_map`, ADU; NaN is left out.

    Returns
    -------
    DarkShape or None
        None when fewer than twelve tiles are defined. Tiles that stand out,
        such as those that glow, do not move the plane.
    """
    defined = np.isfinite(signal)
    if np.count_nonzero(defined) < _LEAST_TILES:
        return None
    terms = polynomial_terms(signal.shape, 1)
    coefficients, kept, _ = robust_fit(terms, signal.ravel())
    residuals = (signal.ravel() - terms @ coefficients).reshape(signal.shape)
    inside = residuals.ravel()[kept]
    scatter = float(inside.std(ddof=3)) if inside.size > 3 else 0.0
    # a slope over −1 … 1 is known to σ/√(Σx²), and the rise is twice the slope
    lengths = np.sqrt((terms[kept, 1:] ** 2).sum(axis=0))
    number = max(1, np.count_nonzero(defined) // 100)
    order = np.argsort(np.where(defined, residuals, -np.inf), axis=None)[::-1][:number]
    return DarkShape(
        level=median(signal),
        rise=2 * math.hypot(coefficients[1], coefficients[2]),
        rise_error=2 * scatter / float(max(1e-9, lengths.min())),
        glow=float(residuals.ravel()[order].mean()),
        glow_error=mad_sigma(residuals, 0.0),
        glow_place=_place(terms[order, 1].mean(), terms[order, 2].mean()),
    )


def _place(x: float, y: float) -> str:
    """Name a place in the frame, x and y from −1 to 1, y along the rows as stored."""
    across = "left" if x < -1 / 3 else "right" if x > 1 / 3 else ""
    down = "first rows" if y < -1 / 3 else "last rows" if y > 1 / 3 else ""
    return " ".join(part for part in (down, across) if part) or "middle"
