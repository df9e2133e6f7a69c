"""How a flat varies: the light that its corners lack, and its pixels' own response."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.smooth import polynomial_terms, robust_fit
from stackbench.calibration.statistics import clipped_sigma
from stackbench.calibration.surroundings import tile_levels

_BRIGHTEST = 98.0  # per cent of the tiles: single ones may be bright for other reasons
# A tile is dust, and not the surface's fault, when it is further off than this.
_DUST = 0.01
# The surface's degree by the least number of tiles: two or three times its terms.
_DEGREES = ((4, 45), (2, 12))
# Second differences of independent values of variance 1 have variance 6, and
# √(1 + 2 (4/6)² + 2 (1/6)²) as large an error, because neighbours share values.
_DIFFERENCE_VARIANCE, _DIFFERENCES_SHARE = 6.0, 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Vignetting:
    """Which part of the light a flat lacks against its brightest part.

    `corners` is the mean of the four corners, `edges` that of the middles of
    the four sides.
    """

    corners: float
    edges: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelResponse:
    """The scatter of the pixels' response from one to the next, rms, with its 1σ."""

    rms: float
    error: float


def vignetting(flat: NDArray[np.float32]) -> Vignetting | None:
    """Tell which part of the light the corners and edges lack.

    Parameters
    ----------
    flat : ndarray, shape (ny, nx), float32
        Master flat; NaN is left out.

    Returns
    -------
    Vignetting or None
        1 − part / brightest part, at the centres of the outermost tiles of about
        64 px, on a smooth surface (degree 4 or 2 by the number of tiles)
        through the tiles' medians that does not follow dust, where there are
        twelve tiles or more; None when the flat is nowhere above zero.
    """
    if not np.isfinite(flat).any():
        return None
    level, _ = tile_levels(flat)
    surface = level
    degree = next((one for one, tiles in _DEGREES if level.size >= tiles), None)
    if degree is not None:
        terms = polynomial_terms(level.shape, degree)
        fit, _, _ = robust_fit(terms, level.ravel(), least=_DUST * float(np.median(level)))
        surface = (terms @ fit).reshape(level.shape)
    brightest = float(np.percentile(surface, _BRIGHTEST))
    if brightest <= 0:
        return None
    down, across = level.shape
    corners = surface[[0, 0, -1, -1], [0, -1, 0, -1]].mean()
    edges = surface[[0, -1, down // 2, down // 2], [across // 2, across // 2, 0, -1]].mean()
    return Vignetting(corners=float(1 - corners / brightest), edges=float(1 - edges / brightest))


def pixel_response(
    first: NDArray[np.float32], second: NDArray[np.float32], *, level_adu: float
) -> PixelResponse | None:
    """Measure how much the pixels' response differs from one to the next.

    Parameters
    ----------
    first, second : ndarray, shape (n, nx), float32
        The same rows of two flats, raw ADU; undefined and saturated pixels NaN.
    level_adu : float
        The level of their bias.

    Returns
    -------
    PixelResponse or None
        None when the flats are not brighter than their bias.

    Notes
    -----
    Second differences of pixels two apart along the rows are compared, relative
    to their mean, so that vignetting and dust drop out; what the two flats
    share of them (their covariance) is the response, since noise is not shared.
    Differences beyond 5σ, such as at dead pixels, are left out.
    """
    differences = []
    for rows in (first, second):
        lit = rows.astype(np.float64) - level_adu
        mean = (lit[:, 4:] + lit[:, 2:-2] + lit[:, :-4]) / 3
        mean[~(mean > 0)] = np.nan
        differences.append((lit[:, 4:] - 2 * lit[:, 2:-2] + lit[:, :-4]) / mean)
    together = (differences[0] + differences[1]) / 2
    with np.errstate(invalid="ignore"):
        kept = np.abs(together) <= 5 * clipped_sigma(together)
    pixels = int(np.count_nonzero(kept))
    if pixels < 2:
        return None
    one, other = differences[0][kept], differences[1][kept]
    shared = float(np.mean(one * other))
    error = math.sqrt((float(np.mean(one**2)) * float(np.mean(other**2)) + shared**2) / pixels)
    variance = max(0.0, shared / _DIFFERENCE_VARIANCE)
    variance_error = _DIFFERENCES_SHARE * error / _DIFFERENCE_VARIANCE
    rms = math.sqrt(variance)
    # dσ = dσ²/2σ; where nothing shows, σ is known to the root of what σ² is
    found = variance > variance_error
    rms_error = variance_error / (2 * rms) if found else math.sqrt(variance_error)
    return PixelResponse(rms=rms, error=rms_error)
