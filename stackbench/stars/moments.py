"""Quick looks at many stars: centre, local sky and windowed second moments."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled, inner, inner_fast
from stackbench.frames.instructions import Index, lower, upper
from stackbench.stars.median import median_in_place
from stackbench.stars.records import Floats

_STEPS = 4
# About how many pixels of a ring are looked at, at most.
_RING_PIXELS = 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Moments:
    """Moments of stars under a round Gaussian window; arrays of equal length.

    `x`, `y` is the windowed centroid, unbiased for a symmetric star; `sky` the
    median of a ring around it, ADU; `snr` that of the windowed sum against
    the background's noise; `xx`, `xy`, `yy` the second moments under the
    window, px² (a Gaussian of variance σ² under a window of variance w² gives
    σ²w²/(σ² + w²)). NaN where the star cannot be measured. `window_px` is w.
    """

    x: Floats
    y: Floats
    sky: Floats
    snr: Floats
    xx: Floats
    xy: Floats
    yy: Floats
    window_px: float

    def axes(self) -> tuple[Floats, Floats]:
        """Return the moments along the two axes.

        Returns
        -------
        tuple of ndarray
            Larger and smaller eigenvalue of the windowed tensor, px².
        """
        mean = (self.xx + self.yy) / 2
        half = np.hypot((self.xx - self.yy) / 2, self.xy)
        return mean + half, mean - half


def windowed_moments(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    noise: Floats,
    *,
    window_px: float,
    ring_px: float,
) -> Moments:
    """Measure stars under a Gaussian window that follows their centroid.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU; a NaN pixel takes the value of the one opposite the
        star's centre. Not modified.
    x, y : ndarray, 1-D, float64
        First guesses, pixels.
    noise : ndarray, 1-D, float64
        Noise of one pixel there, ADU.
    window_px : float
        Standard deviation of the window, pixels.
    ring_px : float
        Inner radius of the ring where the local sky is taken, pixels; it is
        half as wide, at least 3 px.

    Returns
    -------
    Moments
        One entry per star.
    """
    table = np.full((7, len(x)), np.nan)
    # By rows, so that pixels of neighbours are still at hand.
    order = np.argsort(y, kind="stable")
    ring = _ring(ring_px)
    size = 2 * math.ceil(3 * window_px) + 1
    work = _Work(
        cutout=np.empty((size, size)),
        weights=np.empty((3, size)),
        sums=np.empty(7),
        values=np.empty(ring.shape[1], np.float32),
        some=np.empty(ring.shape[1] // 4 + 1, np.float32),
    )
    _measure(image, x, y, noise, order, float(window_px), ring, work, table)
    return Moments(
        x=table[0],
        y=table[1],
        sky=table[2],
        snr=table[3],
        xx=table[4],
        xy=table[5],
        yy=table[6],
        window_px=window_px,
    )


class _Work(NamedTuple):
    """Working space of the kernel."""

    cutout: Floats  # (size, size) around the star
    weights: Floats  # (3, size)
    sums: Floats  # (7,)
    values: npt.NDArray[np.float32]  # as many as the ring has pixels
    some: npt.NDArray[np.float32]  # a fourth of them, and one


def _ring(inner_px: float) -> npt.NDArray[np.int64]:
    """Offsets x, y of the pixels in a ring; of a large one, of a part of them."""
    outer = inner_px + max(3.0, 0.5 * inner_px)
    step = max(1, int(math.sqrt(3.2 * (outer**2 - inner_px**2) / _RING_PIXELS) + 0.999))
    reach = int(outer) // step * step
    j, i = np.mgrid[-reach : reach + 1 : step, -reach : reach + 1 : step]
    apart = i**2 + j**2
    inside = (inner_px**2 <= apart) & (apart <= outer**2)
    return np.stack([i[inside], j[inside]])


@inner
def _ring_sky(
    image: npt.NDArray[np.float32],
    x: Index,
    y: Index,
    ring: npt.NDArray[np.int64],
    noise: float,
    values: npt.NDArray[np.float32],
    some: npt.NDArray[np.float32],
) -> float:
    """Sky in a ring: mean of its pixels within ±2 noise of their median, or NaN.

    Every fourth pixel serves for the median.
    """
    ny, nx = image.shape
    for k in range(ring.shape[1]):
        i, j = x + ring[0, k], y + ring[1, k]
        values[k] = image[j, i] if 0 <= i < nx and 0 <= j < ny else np.float32(np.nan)
    m = np.int64(0)
    for k in range(0, ring.shape[1], 4):
        if np.isfinite(values[k]):
            some[m] = values[k]
            m += 1
    if m < 4:
        return np.nan
    centre = np.float32(median_in_place(some, m))
    reach = np.float32(2.0 * noise)
    total = 0.0
    count = 0
    for k in range(ring.shape[1]):
        apart = values[k] - centre
        if abs(apart) <= reach:  # NaN is not
            total += apart
            count += 1
    return float(centre) + total / count if count > m else float(centre)


@inner
def _cut_out(
    image: npt.NDArray[np.float32], i0: Index, j0: Index, sky: float, cutout: Floats
) -> None:
    """Copy pixels around (i0, j0), less the sky; an undefined one from the opposite side."""
    reach = cutout.shape[0] // 2
    for j in range(-reach, reach + 1):
        for i in range(-reach, reach + 1):
            v = float(image[j0 + j, i0 + i])
            if np.isnan(v):
                v = float(image[j0 - j, i0 - i])
            cutout[reach + j, reach + i] = 0.0 if np.isnan(v) else v - sky


@inner_fast
def _windowed_sums(
    cutout: Floats, dx: float, dy: float, window: float, weights: Floats, sums: Floats
) -> None:
    """Sum the cutout under a window at (dx, dy) from its middle.

    Fills `sums` with Σwf, Σwfx, Σwfy, Σwfx², Σwfxy, Σwfy², offsets from the
    window's centre, and Σw². The window is a product, so rows go first.
    """
    size = cutout.shape[0]
    reach = size // 2
    across = 0.0
    for i in range(size):
        offset = i - reach - dx
        w = np.exp(-0.5 * (offset / window) ** 2)
        weights[0, i], weights[1, i], weights[2, i] = w, w * offset, w * offset * offset
        across += w * w
    along = 0.0
    for k in range(6):
        sums[k] = 0.0
    for j in range(size):
        offset = j - reach - dy
        w = np.exp(-0.5 * (offset / window) ** 2)
        along += w * w
        row = cutout[j]
        plain = first = second = 0.0
        for i in range(size):
            plain += weights[0, i] * row[i]
            first += weights[1, i] * row[i]
            second += weights[2, i] * row[i]
        sums[0] += w * plain
        sums[1] += w * first
        sums[2] += w * offset * plain
        sums[3] += w * second
        sums[4] += w * offset * first
        sums[5] += w * offset * offset * plain
    sums[6] = across * along


@compiled
def _measure(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    noise: Floats,
    order: npt.NDArray[np.intp],
    window: float,
    ring: npt.NDArray[np.int64],
    work: _Work,
    table: Floats,
) -> None:
    """Fill `table` with x, y, sky, S/N, xx, xy, yy; leave it as it is where that fails."""
    ny, nx = image.shape
    cutout, weights, sums, values, some = work
    reach = cutout.shape[0] // 2
    for k in order:
        i0, j0 = np.int64(np.floor(x[k] + 0.5)), np.int64(np.floor(y[k] + 0.5))
        if i0 < reach or j0 < reach or i0 >= nx - reach or j0 >= ny - reach:
            continue
        sky = _ring_sky(image, i0, j0, ring, noise[k], values, some)
        if np.isnan(sky):
            continue
        _cut_out(image, i0, j0, sky, cutout)
        cx, cy = x[k] - i0, y[k] - j0
        good = True
        for _ in range(_STEPS):
            _windowed_sums(cutout, cx, cy, window, weights, sums)
            total = sums[0]
            if not total > 0:
                good = False
                break
            # The windowed centroid lags behind: 1 + σ²/w² times the step is due.
            kept = 1 - 0.5 * (sums[3] + sums[5]) / total / window**2
            lag = 1.0 / lower(upper(kept, 0.5), 1.0)
            sx, sy = lag * sums[1] / total, lag * sums[2] / total
            cx, cy = cx + sx, cy + sy
            if cx * cx + cy * cy > 2.25 * window**2:
                good = False
                break
            if sx * sx + sy * sy < 1e-6:
                break
        if good:
            table[0, k], table[1, k], table[2, k] = i0 + cx, j0 + cy, sky
            table[3, k] = total / (noise[k] * np.sqrt(sums[6]))
            table[4, k], table[5, k], table[6, k] = (
                sums[3] / total,
                sums[4] / total,
                sums[5] / total,
            )
