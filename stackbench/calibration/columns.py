"""Columns, or parts of them, that gather or lose charge otherwise than their neighbours."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.robust import MAD_TO_SIGMA

_SEGMENT_ROWS = 64
_SAMPLES = 5  # rows of a segment, odd; a single hot pixel does not move their median
_NEIGHBOURS = (-6, -4, -2, 2, 4, 6)  # of the same parity: even and odd columns may differ
_SIGMA = 8.0
_LEAST_SEGMENTS = 2  # in a row: a trap spoils all that is read out through it


def odd_columns(
    image: NDArray[np.float32], *, least_adu: float = 0.0, least_share: float = 0.0
) -> NDArray[np.int64]:
    """Find the pixels of columns that differ from their neighbours over many rows.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        A master; NaN is left out.
    least_adu, least_share : float
        Differences up to these, in the unit of the image and relative to the
        neighbours, are none.

    Returns
    -------
    ndarray, shape (n,), int64
        y × nx + x of all pixels of the segments concerned, ascending. A segment has
        64 rows; the median of five of them must lie off that of the six nearest
        columns of its parity by 8 σ, σ being the scaled MAD of all columns'
        differences, in two segments on end.
    """
    ny, nx = image.shape
    down = max(1, ny // _SEGMENT_ROWS)
    if nx <= 2 * max(_NEIGHBOURS) or ny < _SAMPLES:
        return np.empty(0, dtype=np.int64)
    rows = ((np.arange(down * _SAMPLES) + 0.5) * ny / (down * _SAMPLES)).astype(np.intp)
    samples = image[rows].reshape(down, _SAMPLES, nx)
    level = _ordered(samples.swapaxes(0, 1))[_SAMPLES // 2]
    off = np.nan_to_num(level - _around(level))  # what is undefined differs by nothing
    spread = MAD_TO_SIGMA * np.median(np.abs(off), axis=1, keepdims=True)
    limit = np.maximum(np.maximum(_SIGMA * spread, least_adu), least_share * np.abs(level - off))
    marked = np.abs(off) > limit
    if down >= _LEAST_SEGMENTS:
        both = marked[1:] & marked[:-1]
        marked = np.zeros_like(marked)
        marked[1:] |= both
        marked[:-1] |= both
    edges = np.arange(down + 1) * ny // down
    found = [(np.arange(edges[i], edges[i + 1]) * nx + x) for i, x in np.argwhere(marked).tolist()]
    return np.sort(np.concatenate([np.empty(0, dtype=np.int64), *found]))


def _around(level: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take the median of the neighbouring columns; beyond the rim those of the other side."""
    nx = level.shape[1]
    at = np.arange(nx) + np.array(_NEIGHBOURS)[:, np.newaxis]
    at = np.where(at < 0, np.arange(nx) - np.array(_NEIGHBOURS)[:, np.newaxis], at)
    at = np.where(at >= nx, np.arange(nx) - np.array(_NEIGHBOURS)[:, np.newaxis], at)
    ordered = _ordered(level[:, at].swapaxes(0, 1))
    return (ordered[2] + ordered[3]) / np.float32(2)


def _ordered(layers: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """Order the values along the first axis, NaN last; few layers of many values.

    Neighbours change places until all stand right (Knuth, The Art of Computer
    Programming 3, section 5.3.4, from memory). numpy orders each handful of values
    by itself: with it the columns of 26 Mpx took 75 ms, without 28 to 46.
    """
    rising = [np.where(np.isnan(layer), np.float32(np.inf), layer) for layer in layers]
    for turn in range(len(rising)):
        for i in range(turn % 2, len(rising) - 1, 2):
            low, high = rising[i], rising[i + 1]
            rising[i], rising[i + 1] = np.minimum(low, high), np.maximum(low, high)
    return [np.where(np.isinf(layer), np.float32(np.nan), layer) for layer in rising]
