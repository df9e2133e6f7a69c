"""The smooth level around every pixel: medians of tiles, and what lies outside."""

import math

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import lower, upper
from stackbench.frames.robust import MAD_TO_SIGMA

_TILE = 64  # px; amplifier glow and vignetting are smooth over this length
# Per axis and tile. No divisor of the tile, so that even and odd columns, which
# some chips read through different amplifiers, are both seen.
_SAMPLES = 15  # odd, so that a tile has a middle value


def tile_levels(image: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return median and spread of the tiles of an image.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        The image; NaN is left out. It is cut into equal tiles of about 64 px,
        of which 15 × 15 pixels are looked at.

    Returns
    -------
    level, spread : ndarray, shape (number down, number across), float64
        Median, and σ from the scaled MAD of second differences along the rows,
        so that a slope is no spread; a tile without a defined pixel has the
        median of all and no spread.
    """
    ny, nx = image.shape
    down, across = max(1, ny // _TILE), max(1, nx // _TILE)
    # The centre of each of the equal steps that the samples stand for.
    y = ((np.arange(down * _SAMPLES) + 0.5) * ny / (down * _SAMPLES)).astype(np.intp)
    x = ((np.arange(across * _SAMPLES) + 0.5) * nx / (across * _SAMPLES)).astype(np.intp)
    samples = image[np.ix_(y, x)].astype(np.float64)
    samples = samples.reshape(down, _SAMPLES, across, _SAMPLES).swapaxes(1, 2)
    samples = np.ascontiguousarray(samples)
    defined = np.isfinite(samples)
    if defined.all():
        level = _middle(samples)
    else:
        level = _level_of_defined(samples, defined)
        samples = np.where(defined, samples, level[..., None, None])
    # Second differences are blind to a slope; those of independent values of
    # variance σ² have 6 σ².
    bends = np.abs(samples[..., 2:] - 2 * samples[..., 1:-1] + samples[..., :-2])
    return level, MAD_TO_SIGMA / math.sqrt(6) * _middle(bends)


def outside(
    image: NDArray[np.float32], *, floor: NDArray[np.float64], ceiling: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark the pixels outside two smooth limits.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        The image; NaN is not marked.
    floor, ceiling : ndarray, shape (number down, number across), float64
        Limits at the centres of tiles, as from `tile_levels`; bilinear between
        them and straight on beyond the outer ones.

    Returns
    -------
    below, above : ndarray, shape (ny, nx), bool
        Below the floor, and above the ceiling.
    """
    below = np.empty(image.shape, dtype=np.bool_)
    above = np.empty(image.shape, dtype=np.bool_)
    rows = np.empty((2, floor.shape[1]), dtype=np.float32)
    _outside(image, floor.astype(np.float32), ceiling.astype(np.float32), rows, below, above)
    return below, above


def _middle(tiles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of each tile, of an odd number of defined values.

    numpy's own, which looks for NaN too, takes four times as long.
    """
    values = tiles.reshape(*tiles.shape[:2], -1)
    middle = values.shape[2] // 2
    return np.asarray(np.partition(values, middle, axis=2)[:, :, middle])


def _level_of_defined(
    samples: NDArray[np.float64], defined: NDArray[np.bool_]
) -> NDArray[np.float64]:
    down, across = samples.shape[:2]
    level = np.full((down, across), np.median(samples[defined]) if defined.any() else 0.0)
    for i in range(down):
        for j in range(across):
            values = samples[i, j][defined[i, j]]
            if values.size:
                level[i, j] = np.median(values)
    return level


@compiled
def _outside(
    image: NDArray[np.float32],
    floor: NDArray[np.float32],
    ceiling: NDArray[np.float32],
    rows: NDArray[np.float32],
    below: NDArray[np.bool_],
    above: NDArray[np.bool_],
) -> None:
    """Mark pixels; `rows`, shape (2, number across), is working space."""
    ny, nx = image.shape
    down, across = floor.shape
    low, high = rows[0], rows[1]
    step = np.float32(across / nx)
    for y in range(ny):
        # Place of this row between the centres of the tiles above and below it.
        place = (y + 0.5) * down / ny - 0.5
        i = lower(upper(np.int64(np.floor(place)), 0), upper(down - 2, 0))
        k = lower(i + 1, down - 1)
        share = np.float32(place - i)
        for j in range(across):
            low[j] = floor[i, j] + (floor[k, j] - floor[i, j]) * share
            high[j] = ceiling[i, j] + (ceiling[k, j] - ceiling[i, j]) * share
        # Piece by piece between centres, so that the inner loop is a straight line.
        pieces = upper(across - 1, 1)
        for j in range(pieces):
            right = lower(j + 1, across - 1)
            centre = (j + 0.5) * nx / across - 0.5
            first = 0 if j == 0 else np.int64(np.ceil(centre))
            last = nx if j == pieces - 1 else np.int64(np.ceil((j + 1.5) * nx / across - 0.5))
            low_slope = (low[right] - low[j]) * step
            high_slope = (high[right] - high[j]) * step
            low_start = low[j] + low_slope * np.float32(first - centre)
            high_start = high[j] + high_slope * np.float32(first - centre)
            # views that begin at 0: LLVM then knows that no index counts from the end
            values, under, over = image[y, first:last], below[y, first:last], above[y, first:last]
            for x in range(values.size):
                along = np.float32(x)
                under[x] = values[x] < low_start + low_slope * along
                over[x] = values[x] > high_start + high_slope * along
