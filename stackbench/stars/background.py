"""The background of a frame: sky level and pixel noise on a coarse mesh."""

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled, inlined, inner, inner_fast
from stackbench.frames.instructions import upper
from stackbench.frames.robust import MAD_TO_SIGMA
from stackbench.stars.median import median_in_place
from stackbench.stars.records import BackgroundMesh, Floats

# A box with fewer defined pixels than this share takes its neighbours' values.
_MIN_DEFINED = 0.1
_CLIP_SKY = 2.0
_CLIP_NOISE = 3.0
# E[z² | |z| < 3] of a unit Gaussian: what the clip at 3σ leaves of the variance.
_CLIPPED_VARIANCE = 0.97333692
# Every how many rows each pass looks at: the first two only bring the last one near.
_PASSES = (6, 3, 2)
# Places along each side of a box that tell where the first pass starts.
_START_PLACES = 8
# Noise below this, ADU, is that of no camera; it keeps divisions defined.
LEAST_NOISE = 0.05


def measure_background(image: npt.NDArray[np.float32], *, box_px: int = 64) -> BackgroundMesh:
    """Measure sky and noise in boxes, free of stars.

    The sky of a box is the mode of its pixels, found by repeating the mean of
    the pixels within ±2σ of itself, from the median. σ comes from the
    differences of horizontal neighbours, clipped at ±3σ (consistent for
    Gaussian noise), so that neither gradients nor nebulae count as noise.
    The last pass looks at every second row. Boxes that stand out of their 3 × 3
    neighbourhood (a bright star, a small galaxy) are replaced by its median.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        Pixels, ADU; NaN is left out. Not modified.
    box_px : int
        Side of a box, pixels, made slightly larger or smaller to fit.

    Returns
    -------
    BackgroundMesh
        Sky and noise per box, ADU.
    """
    ny, nx = image.shape
    my, mx = max(1, round(ny / box_px)), max(1, round(nx / box_px))
    y_edges = np.linspace(0, ny, my + 1).astype(np.int64)
    x_edges = np.linspace(0, nx, mx + 1).astype(np.int64)
    sky, noise = np.empty((my, mx)), np.empty((my, mx))
    work = np.empty((7, max(nx, _START_PLACES**2)), np.float32)
    _box_statistics(image, y_edges, x_edges, work, sky, noise)
    return BackgroundMesh(sky=_smoothed(sky), noise=_smoothed(noise), shape=(ny, nx))


def background_image(
    mesh: BackgroundMesh, *, rows: tuple[int, int] | None = None
) -> npt.NDArray[np.float32]:
    """Interpolate the sky to every pixel.

    Parameters
    ----------
    mesh : BackgroundMesh
        Sky per box.
    rows : tuple of int, optional
        First row and row after the last; all rows if not given.

    Returns
    -------
    ndarray, shape (rows, nx), float32
        Sky, ADU, bilinear between box centres and continued linearly to the edges.
    """
    ny, nx = mesh.shape
    first, stop = rows if rows is not None else (0, ny)
    across = interpolate_axis(mesh.sky, nx, axis=1, positions=np.arange(nx, dtype=np.float64))
    y = np.arange(first, stop, dtype=np.float64)
    return interpolate_axis(across, ny, axis=0, positions=y).astype(np.float32)


def interpolate_axis(mesh: Floats, size: int, *, axis: int, positions: Floats) -> Floats:
    """Interpolate a mesh along one axis, linearly.

    Parameters
    ----------
    mesh : ndarray, shape (my, mx), float64
        One value per box.
    size : int
        Pixels that the boxes of this axis cover together.
    axis : int
        0 to go along y, 1 along x.
    positions : ndarray, 1-D, float64
        Pixel coordinates where values are wanted.

    Returns
    -------
    ndarray, float64
        `mesh` with `axis` replaced by `positions`.
    """
    boxes = mesh.shape[axis]
    if boxes == 1:
        return np.repeat(mesh, len(positions), axis=axis)
    place = (positions + 0.5) * boxes / size - 0.5
    low = np.clip(np.floor(place).astype(np.int64), 0, boxes - 2)
    part = place - low
    if axis == 0:
        part = part[:, None]
    values: Floats = mesh.take(low, axis=axis) * (1 - part) + mesh.take(low + 1, axis=axis) * part
    return values


def background_at(mesh: BackgroundMesh, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Interpolate sky and noise at some places.

    Parameters
    ----------
    mesh : BackgroundMesh
        Sky and noise per box.
    x, y : ndarray, 1-D, float64
        Pixel coordinates.

    Returns
    -------
    tuple of ndarray
        Sky and noise (at least 0.05), ADU.
    """
    (my, mx), (ny, nx) = mesh.sky.shape, mesh.shape
    u, v = (x + 0.5) * mx / nx - 0.5, (y + 0.5) * my / ny - 0.5
    i = np.clip(np.floor(u).astype(np.intp), 0, max(mx - 2, 0))
    j = np.clip(np.floor(v).astype(np.intp), 0, max(my - 2, 0))
    right, below = np.minimum(i + 1, mx - 1), np.minimum(j + 1, my - 1)
    s, t = u - i, v - j

    def _at(values: Floats) -> Floats:
        upper = values[j, i] * (1 - s) + values[j, right] * s
        lower = values[below, i] * (1 - s) + values[below, right] * s
        value: Floats = upper * (1 - t) + lower * t
        return value

    return _at(mesh.sky), np.maximum(_at(mesh.noise), LEAST_NOISE)


def _smoothed(mesh: Floats) -> Floats:
    """Fill empty boxes from their neighbours; replace those that stand out."""
    mesh = mesh.copy()
    if np.isnan(mesh).all():
        return mesh
    while np.isnan(mesh).any():
        around = _neighbourhoods(mesh)
        known = ~np.isnan(around)
        total, count = np.where(known, around, 0.0).sum(axis=0), known.sum(axis=0)
        fill = np.isnan(mesh) & (count > 0)
        mesh[fill] = total[fill] / count[fill]
    around = _neighbourhoods(mesh)
    median = np.median(around, axis=0)
    spread = MAD_TO_SIGMA * np.median(np.abs(around - median), axis=0)
    smoothed: Floats = np.where(np.abs(mesh - median) > 3.0 * spread, median, mesh)
    return smoothed


def _neighbourhoods(mesh: Floats) -> Floats:
    """Stack every box's 3 × 3 neighbourhood; the edge is repeated outside."""
    my, mx = mesh.shape
    wide = np.pad(mesh, 1, mode="edge")
    return np.stack([wide[j : j + my, i : i + mx] for j in range(3) for i in range(3)])


@inner
def _box_start(
    image: npt.NDArray[np.float32],
    y0: int,
    y1: int,
    x0: int,
    x1: int,
    values: npt.NDArray[np.float32],
    steps: npt.NDArray[np.float32],
) -> tuple[float, float]:
    """Median of 64 pixels of a box and σ from their differences, or NaN.

    `values` and `steps` are working space for as many.
    """
    row_step = upper((y1 - y0) // _START_PLACES, 1)
    column_step = upper((x1 - x0) // _START_PLACES, 1)
    n = m = tried = np.int64(0)  # a literal would compile the median twice
    for j in range(_START_PLACES):
        y = y0 + j * row_step
        for i in range(_START_PLACES):
            # Staggered, so that a bad column or a row pattern is not favoured.
            x = x0 + i * column_step + j % column_step
            if y >= y1 or x >= x1 - 1:
                continue
            tried += 1
            v = image[y, x]
            d = image[y, x + 1] - v
            if np.isfinite(v):
                values[n] = v
                n += 1
            if np.isfinite(d):
                steps[m] = abs(d)
                m += 1
    if m == 0 or m < _MIN_DEFINED * tried:
        return np.nan, np.nan
    total = 0.0
    for k in range(m):
        total += steps[k] * steps[k]
    scale = MAD_TO_SIGMA * median_in_place(steps, m)
    if scale == 0.0:  # coarsely quantised pixels
        scale = np.sqrt(total / m)
    return median_in_place(values, n), scale / np.sqrt(2.0)


@inner_fast
def _add_row(
    row: npt.NDArray[np.float32], limits: npt.NDArray[np.float32], sums: npt.NDArray[np.float32]
) -> None:
    """Add one row to the sums of its columns.

    `limits` holds the centre, the reach of values and that of differences for
    each column; `sums` Σ(v − centre) and count in reach, Σd² and count in reach.
    """
    # Rows of an array, named, so that the loop vectorises; sums by column do so
    # in spite of the conditions.
    centre, reach, step_reach = limits[0], limits[1], limits[2]
    total, count, square, pairs = sums[0], sums[1], sums[2], sums[3]
    for x in range(row.size - 1):
        v = row[x] - centre[x]
        d = row[x + 1] - row[x]
        total[x] += v if abs(v) <= reach[x] else np.float32(0)
        count[x] += np.float32(1) if abs(v) <= reach[x] else np.float32(0)
        square[x] += d * d if abs(d) <= step_reach[x] else np.float32(0)
        pairs[x] += np.float32(1) if abs(d) <= step_reach[x] else np.float32(0)


@inlined
def _improve(
    image: npt.NDArray[np.float32],
    rows: tuple[int, int, int],
    x_edges: npt.NDArray[np.int64],
    work: npt.NDArray[np.float32],
    level: Floats,
    sigma: Floats,
) -> None:
    """Clip some rows of a row of boxes about `level`; put mean and noise of the rest there.

    `work` has the limits of `_add_row` in its first three rows, the sums in the others.
    """
    limits, sums = work[:3], work[3:]
    for i in range(level.size):
        x0, x1 = x_edges[i], x_edges[i + 1]
        limits[0, x0:x1] = level[i]
        limits[1, x0:x1] = _CLIP_SKY * sigma[i]
        limits[2, x0:x1] = _CLIP_NOISE * np.sqrt(2.0) * sigma[i]
    sums[:] = 0
    for y in range(rows[0], rows[1], rows[2]):
        _add_row(image[y], limits, sums)
    for i in range(level.size):
        total = count = square = pairs = 0.0
        for x in range(x_edges[i], x_edges[i + 1]):
            total += sums[0, x]
            count += sums[1, x]
            square += sums[2, x]
            pairs += sums[3, x]
        if count > 0:
            level[i] = float(limits[0, x_edges[i]]) + total / count
        # none differ but those beyond the clip where values are coarse: the start was better
        if square > 0:
            sigma[i] = np.sqrt(square / pairs / 2.0 / _CLIPPED_VARIANCE)


@compiled
def _box_statistics(
    image: npt.NDArray[np.float32],
    y_edges: npt.NDArray[np.int64],
    x_edges: npt.NDArray[np.int64],
    work: npt.NDArray[np.float32],
    sky: Floats,
    noise: Floats,
) -> None:
    """Fill `sky` and `noise`; NaN where too little is defined.

    A whole row of boxes goes through each pass together: memory is read in
    its order. `work`, shape (7, at least nx and 64), is working space.
    """
    for j in range(len(y_edges) - 1):
        y0, y1 = y_edges[j], y_edges[j + 1]
        for i in range(len(x_edges) - 1):
            sky[j, i], noise[j, i] = _box_start(
                image, y0, y1, x_edges[i], x_edges[i + 1], work[0], work[1]
            )
        for row_step in _PASSES:
            _improve(image, (y0, y1, row_step), x_edges, work, sky[j], noise[j])
