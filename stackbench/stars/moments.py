"""Quick looks at many stars: centre, local sky and windowed second moments."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled
from stackbench.stars.median import median_in_place
from stackbench.stars.records import Floats

_STEPS = 4


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
    _measure(image, x, y, noise, float(window_px), float(ring_px), table)
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


@compiled
def _ring_sky(
    image: npt.NDArray[np.float32],
    x: float,
    y: float,
    inner: float,
    noise: float,
    values: npt.NDArray[np.float32],
    some: npt.NDArray[np.float32],
) -> float:
    """Sky in a ring: mean of its pixels within ±2 noise of their median, or NaN.

    At most `values.size` pixels are looked at, and every fourth for the median.
    """
    ny, nx = image.shape
    outer = inner + max(3.0, 0.5 * inner)
    step = max(1, int(np.sqrt(3.2 * (outer**2 - inner**2) / values.size) + 0.999))
    n = m = 0
    for j in range(max(0, int(y - outer)), min(ny, int(y + outer) + 2), step):
        for i in range(max(0, int(x - outer)), min(nx, int(x + outer) + 2), step):
            r2 = (i - x) ** 2 + (j - y) ** 2
            if inner**2 <= r2 <= outer**2 and np.isfinite(image[j, i]) and n < values.size:
                values[n] = image[j, i]
                if n % 4 == 0:
                    some[m] = values[n]
                    m += 1
                n += 1
    if n < 16:
        return np.nan
    centre = median_in_place(some, m)
    total = 0.0
    count = 0
    for i in range(n):
        if abs(values[i] - centre) <= 2.0 * noise:
            total += values[i] - centre
            count += 1
    return centre + total / count if count > n // 4 else centre


@compiled
def _measure(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    noise: Floats,
    window: float,
    ring: float,
    table: Floats,
) -> None:
    """Fill `table` with x, y, sky, S/N, xx, xy, yy."""
    ny, nx = image.shape
    reach = int(np.ceil(3 * window))
    size = 2 * reach + 1
    wx, wy = np.empty(size), np.empty(size)
    values, some = np.empty(1024, np.float32), np.empty(256, np.float32)
    for k in range(x.size):
        cx, cy = x[k], y[k]
        sky = _ring_sky(image, cx, cy, ring, noise[k], values, some)
        if np.isnan(sky):
            continue
        total = xx = xy = yy = weight2 = 0.0
        good = True
        for _ in range(_STEPS):
            i0, j0 = int(np.floor(cx + 0.5)), int(np.floor(cy + 0.5))
            if i0 < reach or j0 < reach or i0 >= nx - reach or j0 >= ny - reach:
                good = False
                break
            for i in range(size):
                wx[i] = np.exp(-0.5 * ((i0 - reach + i - cx) / window) ** 2)
                wy[i] = np.exp(-0.5 * ((j0 - reach + i - cy) / window) ** 2)
            total = sx = sy = xx = xy = yy = weight2 = 0.0
            for j in range(size):
                dy = j0 - reach + j - cy
                for i in range(size):
                    v = float(image[j0 - reach + j, i0 - reach + i])
                    if np.isnan(v):
                        v = float(image[j0 + reach - j, i0 + reach - i])
                        v = sky if np.isnan(v) else v
                    dx = i0 - reach + i - cx
                    w = wx[i] * wy[j]
                    f = w * (v - sky)
                    total += f
                    sx += f * dx
                    sy += f * dy
                    xx += f * dx * dx
                    xy += f * dx * dy
                    yy += f * dy * dy
                    weight2 += w * w
            if total <= 0:
                good = False
                break
            sx, sy = sx / total, sy / total
            # The windowed centroid lags behind: 1 + σ²/w² times the step is due.
            lag = min(2.0, max(1.0, 1.0 / max(0.5, 1 - 0.5 * (xx + yy) / total / window**2)))
            cx, cy = cx + lag * sx, cy + lag * sy
            if (cx - x[k]) ** 2 + (cy - y[k]) ** 2 > 4 * window**2:
                good = False
                break
            if sx * sx + sy * sy < 1e-6:
                break
        if good:
            table[0, k], table[1, k], table[2, k] = cx, cy, sky
            table[3, k] = total / (noise[k] * np.sqrt(weight2))
            table[4, k], table[5, k], table[6, k] = xx / total, xy / total, yy / total
