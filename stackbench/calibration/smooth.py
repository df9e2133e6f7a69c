"""Levels of tiles, and a smooth surface through them, blind to tiles that stand out."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.robust import mad_sigma

_ROUNDS = 6
_TILE = 64  # px
# Per axis and tile. No divisor of the tile, so that even and odd columns, which
# some chips read through different amplifiers, are both seen.
_SAMPLES = 9
_CLIP = 3.0


def tile_medians(image: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the medians of equal tiles of about 64 px, from 9 × 9 pixels of each.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        The image; NaN is left out.

    Returns
    -------
    ndarray, shape (number down, number across), float64
        Good to 0.14 σ of a pixel; NaN for a tile without a defined sample.
    """
    ny, nx = image.shape
    down, across = max(1, ny // _TILE), max(1, nx // _TILE)
    y = ((np.arange(down * _SAMPLES) + 0.5) * ny / (down * _SAMPLES)).astype(np.intp)
    x = ((np.arange(across * _SAMPLES) + 0.5) * nx / (across * _SAMPLES)).astype(np.intp)
    samples = image[np.ix_(y, x)].reshape(down, _SAMPLES, across, _SAMPLES).swapaxes(1, 2)
    ordered = np.sort(samples.reshape(down, across, -1), axis=2)  # NaN goes to the end
    defined = np.isfinite(ordered).sum(axis=2)
    high = np.take_along_axis(ordered, (defined // 2)[..., np.newaxis] % ordered.shape[2], 2)
    low = np.take_along_axis(ordered, np.maximum(defined - 1, 0)[..., np.newaxis] // 2, 2)
    medians = (high[..., 0].astype(np.float64) + low[..., 0]) / 2
    return np.where(defined > 0, medians, np.nan)


def tile_places(
    shape: tuple[int, int],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place the centres of equal tiles in the frame that they cover.

    Parameters
    ----------
    shape : tuple of int
        Number of tiles (down, across).

    Returns
    -------
    x, y : ndarray, shape (down, across), float64
        From −1 at one edge of the frame to 1 at the other.
    """
    down, across = shape
    x = (2 * np.arange(across) + 1) / across - 1
    y = (2 * np.arange(down) + 1) / down - 1
    return np.broadcast_to(x, shape), np.broadcast_to(y[:, np.newaxis], shape)


def polynomial_terms(shape: tuple[int, int], degree: int) -> NDArray[np.float64]:
    """Give the powers x^i y^j, i + j ≤ degree, at the centres of tiles.

    Parameters
    ----------
    shape : tuple of int
        Number of tiles (down, across).
    degree : int
        0 or more.

    Returns
    -------
    ndarray, shape (down × across, number of terms), float64
        The constant first, then x, y and the higher ones.
    """
    x, y = tile_places(shape)
    powers = [(i, total - i) for total in range(degree + 1) for i in range(total, -1, -1)]
    return np.stack([(x**i * y**j).ravel() for i, j in powers], axis=1)


def robust_fit(
    terms: NDArray[np.float64], values: NDArray[np.float64], *, least: float = 0.0
) -> tuple[NDArray[np.float64], NDArray[np.bool_], float]:
    """Fit a sum of terms to values, of which some may stand out.

    Parameters
    ----------
    terms : ndarray, shape (n, number of terms), float64
        The terms at each place.
    values : ndarray, shape (n,), float64
        The values; NaN is left out.
    least : float
        Nothing nearer to the fit than this stands out.

    Returns
    -------
    coefficients : ndarray, shape (number of terms,), float64
        By least squares, after rounds in which places further than three times
        the robust scatter (scaled MAD) of the residuals from the fit are left
        out; NaN when there are fewer places than terms.
    kept : ndarray, shape (n,), bool
        The places that count.
    scatter : float
        Robust scatter of the residuals of the kept places.
    """
    kept = np.isfinite(values)
    coefficients = np.full(terms.shape[1], np.nan)
    scatter = np.nan
    for _ in range(_ROUNDS):
        if np.count_nonzero(kept) < terms.shape[1]:
            break
        coefficients = np.linalg.lstsq(terms[kept], values[kept], rcond=None)[0]
        away = np.abs(values - terms @ coefficients)
        scatter = mad_sigma(away[kept], 0.0)
        now = np.isfinite(values) & (away <= max(_CLIP * scatter, least) + 1e-12 * np.abs(values))
        if np.array_equal(now, kept) or np.count_nonzero(now) < 2 * terms.shape[1]:
            break
        kept = now
    return coefficients, kept, scatter
