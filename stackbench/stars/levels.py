"""The levels of a frame: binned again and again, smoothed and searched for maxima.

The frame, freed of its sky and in units of its noise, is binned 2 × 2 again
and again. Each such level is smoothed with a 3 × 3 binomial kernel, which
makes a matched filter: level 1 suits stars of about 3.5 px FWHM, level 2 of
7 px, level 3 of 14 px, level 4 of 28 px.
"""

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled_fast, inner_fast
from stackbench.frames.instructions import lower, upper
from stackbench.stars.background import LEAST_NOISE, interpolate_axis
from stackbench.stars.records import BackgroundMesh, Floats

Pixels = npt.NDArray[np.float32]

# Pixels of a row that are looked at together.
_STRETCH = 64


def first_level(image: Pixels, mesh: BackgroundMesh) -> Pixels:
    """Bin a frame 2 × 2, less its sky, in units of its noise.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU; NaN counts as sky. Not modified.
    mesh : BackgroundMesh
        Its background.

    Returns
    -------
    ndarray, shape (ny // 2, nx // 2), float32
        Sums of four pixels, so that their noise is 2.
    """
    ny, nx = image.shape
    columns = np.arange(nx, dtype=np.float64)
    sky = interpolate_axis(mesh.sky, nx, axis=1, positions=columns).astype(np.float32)
    scale = 1.0 / np.maximum(mesh.noise, LEAST_NOISE)
    across = interpolate_axis(scale, nx, axis=1, positions=columns[: nx // 2] * 2 + 0.5)
    binned = np.empty((ny // 2, nx // 2), np.float32)
    _bin_less_sky(image, sky, across.astype(np.float32), np.empty(nx, np.float32), binned)
    return binned


@compiled_fast
def _bin_less_sky(image: Pixels, sky: Pixels, scale: Pixels, pair: Pixels, binned: Pixels) -> None:
    """Fill `binned`; `sky` and `scale` are interpolated along x already.

    `pair`, as long as a row, is working space.
    """
    ny, nx = image.shape
    boxes = sky.shape[0]
    for j in range(binned.shape[0]):
        place = (2 * j + 1.0) * boxes / ny - 0.5
        low = lower(upper(np.int64(np.floor(place)), 0), upper(boxes - 2, 0))
        high = lower(low + 1, boxes - 1)
        part = np.float32(place - low)
        sky_low, sky_high = sky[low], sky[high]
        first, second = image[2 * j], image[2 * j + 1]
        for x in range(nx):
            level = sky_low[x] + part * (sky_high[x] - sky_low[x])
            a = first[x] - level
            b = second[x] - level
            a = a if a == a else np.float32(0)  # NaN: nothing there
            b = b if b == b else np.float32(0)
            pair[x] = a + b
        scale_low, scale_high = scale[low], scale[high]
        out = binned[j]
        for i in range(out.size):
            unit = scale_low[i] + part * (scale_high[i] - scale_low[i])
            out[i] = (pair[2 * i] + pair[2 * i + 1]) * unit


def binned_once_more(level: Pixels) -> Pixels:
    """Sum a level 2 × 2.

    Parameters
    ----------
    level : ndarray, shape (ny, nx), float32
        The level before. Not modified.

    Returns
    -------
    ndarray, shape (ny // 2, nx // 2), float32
        Noise doubles.
    """
    ny, nx = level.shape[0] // 2 * 2, level.shape[1] // 2 * 2
    rows = level[0:ny:2] + level[1:ny:2]
    summed: Pixels = rows[:, 0:nx:2] + rows[:, 1:nx:2]
    return summed


def _unit(level: int) -> float:
    """Factor from a sum with weights [1 2 1]ᵀ[1 2 1] to S/N: Σw² = 36, σ = 2^level."""
    return 1.0 / (6.0 * 2.0**level)


def maxima(binned: Pixels, level: int, least_snr: float) -> tuple[Floats, Floats, Floats]:
    """Find the maxima of a level, smoothed.

    Parameters
    ----------
    binned : ndarray, shape (ny, nx), float32
        The level. Not modified.
    level : int
        Its number, from 1.
    least_snr : float
        Least signal-to-noise ratio of a maximum.

    Returns
    -------
    x, y, snr : ndarray, 1-D, float64
        Pixel coordinates of the frame, and S/N, by falling S/N.
    """
    rows = np.zeros((4, binned.shape[1]), np.float32)
    places = np.empty(binned.shape[1], np.int64)
    room = 16384
    while True:
        found = np.empty((room, 3))
        count = _smooth_maxima(
            binned, np.float32(_unit(level)), np.float32(least_snr), rows, places, found
        )
        if count <= room:
            break
        room = count
    found = found[:count]
    found = found[np.argsort(-found[:, 2], kind="stable")]
    size = 2**level
    return found[:, 0] * size + (size - 1) / 2, found[:, 1] * size + (size - 1) / 2, found[:, 2]


@inner_fast
def _above(
    row: Pixels, threshold: np.float32, places: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Places of a row that lie above a threshold, but for two at each end; fills `places`."""
    found = 0
    for start in range(2, row.size - 2, _STRETCH):
        stretch = row[start : lower(start + _STRETCH, row.size - 2)]
        # Most stretches hold none; to count them is what vectorises.
        any_above = 0
        for v in stretch:
            any_above += v > threshold
        if any_above == 0:
            continue
        for k in range(stretch.size):
            if stretch[k] > threshold:
                places[found] = start + k
                found += 1
    return places[:found]


@compiled_fast
def _smooth_maxima(
    binned: Pixels,
    unit: np.float32,
    threshold: np.float32,
    rows: Pixels,
    places: npt.NDArray[np.int64],
    found: Floats,
) -> int:
    """Write x, y, S/N of the 3 × 3 maxima of the smoothed level; return how many there are.

    `rows`, shape (4, nx), and `places`, (nx,), are working space; the ends of `rows`
    are zero, and stay so.
    """
    ny, nx = binned.shape
    smooth, column = rows[:3], rows[3]
    two = np.float32(2)  # a plain 2 would make it all float64
    count = 0
    for y in range(1, ny - 1):
        above, here, below = binned[y - 1], binned[y], binned[y + 1]
        out = smooth[y % 3]
        for x in range(nx):
            column[x] = above[x] + two * here[x] + below[x]
        # Shifted views: an index x - 1 might be negative, and would not vectorise.
        left, middle, right, inner = column[:-2], column[1:-1], column[2:], out[1:-1]
        for x in range(inner.size):
            inner[x] = (left[x] + two * middle[x] + right[x]) * unit
        if y < 3:
            continue
        before, middle = smooth[(y - 2) % 3], smooth[(y - 1) % 3]
        for x in _above(middle, threshold, places):
            v = middle[x]
            if (
                v <= before[x - 1]
                or v <= before[x]
                or v <= before[x + 1]
                or v <= middle[x - 1]
                or v < middle[x + 1]
                or v < out[x - 1]
                or v < out[x]
                or v < out[x + 1]
            ):
                continue
            if count < found.shape[0]:
                # NaN beside an infinite pixel, and stays so: the second is taken then.
                bend_x = 2 * v - middle[x - 1] - middle[x + 1]
                bend_y = 2 * v - before[x] - out[x]
                dx = 0.5 * (middle[x + 1] - middle[x - 1]) / bend_x if bend_x > 0 else 0.0
                dy = 0.5 * (out[x] - before[x]) / bend_y if bend_y > 0 else 0.0
                found[count, 0] = x + lower(0.5, upper(-0.5, dx))
                found[count, 1] = y - 1 + lower(0.5, upper(-0.5, dy))
                found[count, 2] = v
            count += 1
    return count


def coarser_snr(finer: Pixels, x: Floats, y: Floats, level: int) -> Floats:
    """Tell the S/N of peaks at a level, at its best place within a pixel of each.

    Parameters
    ----------
    finer : ndarray, shape (ny, nx), float32
        The level before. Not modified.
    x, y : ndarray, shape (n,), float64
        The peaks, pixel coordinates of the frame.
    level : int
        The level's number, from 2.

    Returns
    -------
    ndarray, shape (n,), float64
        S/N.
    """
    size = 2**level
    ny, nx = finer.shape[0] // 2, finer.shape[1] // 2  # of the coarser level
    i = np.clip((x / size).astype(np.intp), 0, nx - 1)
    j = np.clip((y / size).astype(np.intp), 0, ny - 1)
    # 5 × 5 pixels of the coarser level are 10 × 10 of the finer one; outside is nothing.
    span = np.arange(-4, 6)
    row, column = 2 * j[:, None] + span, 2 * i[:, None] + span
    there = ((row >= 0) & (row < 2 * ny))[:, :, None] & ((column >= 0) & (column < 2 * nx))[:, None]
    row, column = np.clip(row, 0, 2 * ny - 1), np.clip(column, 0, 2 * nx - 1)
    patch = np.where(there, finer[row[:, :, None], column[:, None]], np.float32(0))
    patch = patch.reshape(-1, 5, 2, 5, 2).sum(axis=(2, 4))
    rows = patch[:, :-2] + 2 * patch[:, 1:-1] + patch[:, 2:]
    smooth = rows[:, :, :-2] + 2 * rows[:, :, 1:-1] + rows[:, :, 2:]
    best: Floats = smooth.max(axis=(1, 2)) * _unit(level)
    return best
