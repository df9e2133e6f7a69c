"""Hits of cosmic rays in a single sub, where no other subs tell them from stars."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.apply import CalibratedRows
from stackbench.frames.work import Stop, in_threads, never

# Limits of van Dokkum's paper: σ of a hit and of its neighbours, contrast with stars.
_SIGMA, _NEIGHBOUR, _CONTRAST, _ROUNDS = 4.5, 0.3, 5.0, 4
# The search keeps a dozen arrays of these pixels, one of them twice as fine.
_BAND_PIXELS = 1 << 21
# No filter of the search reaches further in its rounds.
_MARGIN_ROWS = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class SubLevels:
    """What is known of a calibrated sub: sky and noise of its background, ADU.

    `gain_e_per_adu` is None where unknown; the sky's photons are then taken for
    the cause of the noise.
    """

    sky_adu: float
    noise_adu: float
    gain_e_per_adu: float | None = None


class CleanedRows:
    """A calibrated sub whose hits are undefined; a `RowSource`, safe to share by threads.

    Parameters
    ----------
    source : CalibratedRows
        The sub.
    hits : ndarray, shape (n,), int64
        The pixels that were hit, y × nx + x, ascending, as `find_hits` gives them.
    """

    def __init__(self, source: CalibratedRows, hits: NDArray[np.int64]) -> None:
        self._source = source
        self.hits = hits

    @property
    def shape(self) -> tuple[int, int]:
        """The whole image's (ny, nx).

        Returns
        -------
        tuple of int
            Rows, columns.
        """
        return self._source.shape

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return rows start … stop − 1 as a new array the caller may change.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.

        Returns
        -------
        ndarray, shape (stop - start, nx), float32
            Calibrated values, ADU; NaN where undefined or hit.
        """
        nx = self.shape[1]
        out = self._source.rows(start, stop)
        first, last = np.searchsorted(self.hits, [start * nx, stop * nx])
        out.reshape(-1)[self.hits[first:last] - start * nx] = np.nan
        return out


def find_hits(
    source: CalibratedRows, levels: SubLevels, *, jobs: int = 1, stop: Stop = never
) -> NDArray[np.int64]:
    """Find the pixels of a sub that cosmic rays hit.

    Parameters
    ----------
    source : CalibratedRows
        The sub; its undefined and its saturated pixels are no hits.
    levels : SubLevels
        Its background and the camera's gain.
    jobs : int
        Number of threads; each holds 2 million pixels at a time.
    stop : callable
        Asked before each band; True ends the work.

    Returns
    -------
    ndarray, shape (n,), int64
        y × nx + x, ascending.

    Raises
    ------
    Cancelled
        If `stop` answered True.
    FrameError
        If the sub cannot be read.

    References
    ----------
    van Dokkum 2001, PASP 113, 1420.
    """
    ny, nx = source.shape
    step = max(_MARGIN_ROWS, _BAND_PIXELS // nx)

    def _band(start: int) -> NDArray[np.int64]:
        top, end = max(0, start - _MARGIN_ROWS), min(ny, start + step + _MARGIN_ROWS)
        rows = np.empty((end - top, nx), dtype=np.float32)
        saturated = np.empty(rows.shape, dtype=np.bool_)
        source.rows_and_saturated(top, end, out=rows, saturated=saturated)
        hit = _hits_of(rows, saturated, levels)
        inner = np.flatnonzero(hit[start - top : min(start + step, ny) - top])
        return inner.astype(np.int64) + start * nx

    return np.concatenate(in_threads(_band, range(0, ny, step), threads=jobs, stop=stop))


def _hits_of(
    image: NDArray[np.float32], saturated: NDArray[np.bool_], levels: SubLevels
) -> NDArray[np.bool_]:
    from ccdproc import cosmicray_lacosmic

    undefined = ~np.isfinite(image)
    _fill(image, undefined, levels.sky_adu)
    gain, read_noise_e = _electrons(levels)
    image *= np.float32(gain)
    _, found = cosmicray_lacosmic(
        image,
        sigclip=_SIGMA,
        sigfrac=_NEIGHBOUR,
        objlim=_CONTRAST,
        readnoise=read_noise_e,
        gain=1.0,
        gain_apply=False,
        niter=_ROUNDS,
        satlevel=math.inf,
    )
    hit: NDArray[np.bool_] = found & ~undefined & ~_grown(saturated)
    return hit


def _electrons(levels: SubLevels) -> tuple[float, float]:
    """Give the gain, and a read noise with which the background's noise is as measured."""
    sky, variance = max(levels.sky_adu, 0.0), levels.noise_adu**2
    # the photons of the sky cannot have more noise than there is
    least = sky / variance
    gain = max(levels.gain_e_per_adu or least or 1.0, least)
    return gain, math.sqrt(max(gain**2 * variance - gain * sky, 1e-4))


def _fill(image: NDArray[np.float32], undefined: NDArray[np.bool_], sky_adu: float) -> None:
    """Put the median of their surroundings into undefined pixels: a hole would look like a hit."""
    y, x = np.nonzero(undefined)
    around = np.full((y.size, 25), np.nan, dtype=np.float32)
    ny, nx = image.shape
    for k, (dy, dx) in enumerate(np.ndindex(5, 5)):
        at_y, at_x = y + dy - 2, x + dx - 2
        inside = (at_y >= 0) & (at_y < ny) & (at_x >= 0) & (at_x < nx)
        around[inside, k] = image[at_y[inside], at_x[inside]]
    lonely = np.isnan(around).all(axis=1)
    around[lonely] = sky_adu
    image[y, x] = np.nanmedian(around, axis=1)


def _grown(mask: NDArray[np.bool_]) -> NDArray[Any]:
    """Widen marks by the pixels that overflow from saturated ones."""
    from scipy.ndimage import binary_dilation

    return np.asarray(binary_dilation(mask, iterations=2))
