"""Find what may be a star: peaks of the frame, smoothed to the scale of its stars.

The frame, freed of its sky and in units of its noise, is binned 2 × 2 again
and again. Each such level is smoothed with a 3 × 3 binomial kernel, which
makes a matched filter: level 1 suits stars of about 3.5 px FWHM, level 2 of
7 px, level 3 of 14 px, level 4 of 28 px. All stars of one frame have about
the same size, so one level serves the whole frame; a defocused frame, whose
stars are rings, is thus not taken for a frame full of fragments.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled, compiled_fast, inner_fast
from stackbench.frames.instructions import lower, upper
from stackbench.stars.background import LEAST_NOISE, background_at, interpolate_axis
from stackbench.stars.moments import windowed_moments
from stackbench.stars.profile import FWHM_PER_SIGMA
from stackbench.stars.records import BackgroundMesh, Floats
from stackbench.stars.trails import on_trails

Pixels = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

LEVELS = 4
# FWHM of the star that level 1 suits best; twice that at each level more.
LEVEL_FWHM_PX = 3.5
# The width of the narrowest profile that an optical system leaves on pixels.
LEAST_FWHM_PX = 1.25
_SURVEYED, _ANCHORS = 600, 50
_LEAST_ANCHORS = 5
# Pixels of a row that are looked at together.
_STRETCH = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Peaks:
    """Peaks that may be stars; float64 arrays of equal length, by falling S/N.

    `x`, `y` are pixel coordinates; `snr` that of the matched filter; `peak`
    the brightest pixel above the sky, ADU, with its place `peak_x`, `peak_y`;
    `flatness` says how little the profile falls from there to the next pixels
    in the direction where it falls most: 0 for a hot pixel or a track, 1 for a
    plateau, NaN when too many pixels next to it are undefined. `sky` and `noise` are
    the background's there, ADU. `level` is the frame's level.
    """

    x: Floats
    y: Floats
    snr: Floats
    peak: Floats
    peak_x: Floats
    peak_y: Floats
    flatness: Floats
    sky: Floats
    noise: Floats
    level: int

    def __len__(self) -> int:
        return len(self.x)

    def select(self, chosen: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> "Peaks":
        """Return the chosen peaks.

        Parameters
        ----------
        chosen : ndarray
            Mask, or indices in the wanted order.

        Returns
        -------
        Peaks
            Those peaks.
        """
        return Peaks(
            x=self.x[chosen],
            y=self.y[chosen],
            snr=self.snr[chosen],
            peak=self.peak[chosen],
            peak_x=self.peak_x[chosen],
            peak_y=self.peak_y[chosen],
            flatness=self.flatness[chosen],
            sky=self.sky[chosen],
            noise=self.noise[chosen],
            level=self.level,
        )


def find_peaks(
    image: Pixels, mesh: BackgroundMesh, *, saturated: Mask | None = None, least_snr: float = 6.0
) -> Peaks:
    """Find the peaks of a frame that may be stars.

    Hot pixels and cosmic-ray hits, which are sharper than any star, peaks among
    undefined pixels, peaks that touch a saturated pixel and the pieces of
    straight trails are left out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU; NaN counts as sky. Not modified.
    mesh : BackgroundMesh
        Its background.
    saturated : ndarray, shape (ny, nx), bool, optional
        True where a pixel is saturated.
    least_snr : float
        Least signal-to-noise ratio of a peak in the smoothed frame.

    Returns
    -------
    Peaks
        By falling S/N.
    """
    binned = _first_level(image, mesh)
    found: list[Peaks] = []
    for level in range(1, LEVELS + 1):
        peaks = _described(_maxima(binned, level, least_snr), level, image, mesh)
        peaks = peaks.select(_possible(peaks, saturated))
        peaks = peaks.select(~_on_trails(image, peaks))
        found.append(peaks)
        anchors = peaks.select(np.arange(len(peaks)) < _ANCHORS)
        if len(anchors) >= _LEAST_ANCHORS and (
            level == LEVELS or np.median(_coarser_snr(binned, anchors) / anchors.snr) <= 1.0
        ):
            return peaks
        binned = _binned(binned)
    return found[0]


def sharpest_flatness(fwhm_px: float) -> float:
    """Return the least flatness that a star's peak can have.

    Parameters
    ----------
    fwhm_px : float
        FWHM of the star's minor axis, pixels.

    Returns
    -------
    float
        Value one pixel from the centre of a Gaussian, relative to the centre;
        a star that is not centred on a pixel is flatter.
    """
    return float(np.exp(-4 * np.log(2) / fwhm_px**2))


def _on_trails(image: Pixels, peaks: Peaks) -> Mask:
    """Say which peaks are pieces of a satellite's trail."""
    head = peaks.select(np.arange(len(peaks)) < _SURVEYED)
    fwhm = LEVEL_FWHM_PX * 2.0 ** (peaks.level - 1)
    moments = windowed_moments(
        image,
        head.x,
        head.y,
        head.noise,
        window_px=1.5 * fwhm / FWHM_PER_SIGMA,
        ring_px=max(3 * fwhm, 5.0),
    )
    rest = peaks.x[_SURVEYED:] + 1j * peaks.y[_SURVEYED:]
    return np.concatenate(on_trails(moments, rest))


def _possible(peaks: Peaks, saturated: Mask | None) -> Mask:
    """Say which peaks are neither too sharp, nor undefined, nor saturated."""
    possible = np.isfinite(peaks.flatness)
    allowed = sharpest_flatness(LEAST_FWHM_PX) - 3 * peaks.noise / peaks.peak
    possible &= peaks.flatness > allowed
    if saturated is not None and saturated.size:
        ny, nx = saturated.shape
        reach = 2**peaks.level
        for dy in range(-reach, reach + 1):
            for dx in range(-reach, reach + 1):
                row = np.clip(peaks.peak_y.astype(np.intp) + dy, 0, ny - 1)
                column = np.clip(peaks.peak_x.astype(np.intp) + dx, 0, nx - 1)
                possible &= ~saturated[row, column]
    return possible


def _first_level(image: Pixels, mesh: BackgroundMesh) -> Pixels:
    """Bin the frame 2 × 2, less its sky, in units of its noise."""
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


def _binned(level: Pixels) -> Pixels:
    """Sum 2 × 2."""
    ny, nx = level.shape[0] // 2 * 2, level.shape[1] // 2 * 2
    rows = level[0:ny:2] + level[1:ny:2]
    summed: Pixels = rows[:, 0:nx:2] + rows[:, 1:nx:2]
    return summed


def _unit(level: int) -> float:
    """Factor from a sum with weights [1 2 1]ᵀ[1 2 1] to S/N: Σw² = 36, σ = 2^level."""
    return 1.0 / (6.0 * 2.0**level)


def _maxima(binned: Pixels, level: int, least_snr: float) -> tuple[Floats, Floats, Floats]:
    """x, y (of the frame) and S/N of the maxima of a smoothed level, by falling S/N."""
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


def _coarser_snr(finer: Pixels, peaks: Peaks) -> Floats:
    """S/N at the level after the peaks' own, at its best place within a pixel of each peak."""
    size = 2 ** (peaks.level + 1)
    ny, nx = finer.shape[0] // 2, finer.shape[1] // 2  # of the coarser level
    x = np.clip((peaks.x / size).astype(np.intp), 0, nx - 1)
    y = np.clip((peaks.y / size).astype(np.intp), 0, ny - 1)
    # 5 × 5 pixels of the coarser level are 10 × 10 of the finer one; outside is nothing.
    span = np.arange(-4, 6)
    row, column = 2 * y[:, None] + span, 2 * x[:, None] + span
    there = ((row >= 0) & (row < 2 * ny))[:, :, None] & ((column >= 0) & (column < 2 * nx))[:, None]
    row, column = np.clip(row, 0, 2 * ny - 1), np.clip(column, 0, 2 * nx - 1)
    patch = np.where(there, finer[row[:, :, None], column[:, None]], np.float32(0))
    patch = patch.reshape(-1, 5, 2, 5, 2).sum(axis=(2, 4))
    rows = patch[:, :-2] + 2 * patch[:, 1:-1] + patch[:, 2:]
    smooth = rows[:, :, :-2] + 2 * rows[:, :, 1:-1] + rows[:, :, 2:]
    best: Floats = smooth.max(axis=(1, 2)) * _unit(peaks.level + 1)
    return best


def _described(
    maxima: tuple[Floats, Floats, Floats], level: int, image: Pixels, mesh: BackgroundMesh
) -> Peaks:
    """Look each maximum up in the frame itself."""
    x, y, snr = maxima
    sky, noise = background_at(mesh, x, y)
    details = np.full((4, len(x)), np.nan)
    _describe(image, x, y, sky, 2**level, details)
    return Peaks(
        x=x,
        y=y,
        snr=snr,
        peak=details[0],
        peak_x=details[1],
        peak_y=details[2],
        flatness=details[3],
        sky=sky,
        noise=noise,
        level=level,
    )


@compiled
def _describe(
    image: Pixels, x: Floats, y: Floats, sky: Floats, reach: int, details: Floats
) -> None:
    """Brightest pixel within `reach` of each place, and how flat the profile is there."""
    ny, nx = image.shape
    for k in range(x.size):
        x0, y0 = np.int64(x[k] + 0.5), np.int64(y[k] + 0.5)
        best, bx, by = -np.inf, -1, -1
        for j in range(upper(1, y0 - reach), lower(ny - 1, y0 + reach + 1)):
            for i in range(upper(1, x0 - reach), lower(nx - 1, x0 + reach + 1)):
                if image[j, i] > best:
                    best, bx, by = float(image[j, i]), i, j
        if bx < 0 or best <= sky[k]:
            continue
        top = 2.0 * (best - sky[k])
        least = np.inf
        defined = 0
        for dx, dy in ((1, 0), (0, 1), (1, 1), (1, -1)):
            sides = image[by + dy, bx + dx] + image[by - dy, bx - dx] - 2.0 * sky[k]
            if not np.isfinite(sides):
                continue
            defined += 1
            ratio = upper(sides / top, 0.0)
            # At √2 px a Gaussian has fallen to the square of its value at 1 px.
            least = lower(least, np.sqrt(ratio) if dx * dy != 0 else ratio)
        details[0, k], details[1, k], details[2, k] = best - sky[k], bx, by
        details[3, k] = least if defined >= 2 else np.nan
