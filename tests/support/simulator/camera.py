"""The camera and the optics: what they add to the light, and how they record it."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast
from tests.support.simulator.plan import CameraPlan, OpticsPlan

Image = NDArray[np.float32]
_BLOCK_PIXELS = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Signature:
    """What a camera adds, the same in each frame.

    `bias_adu` has the raw frame's shape (with overscan); `dark_e_s` (at the
    nominal temperature), `response` and the masks that of the picture.
    """

    bias_adu: Image
    dark_e_s: Image
    response: Image
    hot: NDArray[np.bool_]
    low: NDArray[np.bool_]


def camera_signature(
    rng: np.random.Generator, shape: tuple[int, int], camera: CameraPlan
) -> Signature:
    """Draw a camera's fixed patterns: bias, dark current, hot and low pixels, response."""
    ny, nx = shape
    raw = (ny, nx + camera.overscan)
    bias = rng.standard_normal(raw, dtype=np.float32)
    bias *= np.float32(camera.bias_pixel_adu)
    bias += (camera.bias_adu + camera.bias_column_adu * rng.standard_normal(raw[1])).astype("f4")
    glow_x = np.exp((np.arange(nx) - nx + 1) / (0.12 * nx))
    glow_y = np.exp((np.arange(ny) - ny + 1) / (0.12 * ny))
    dark = np.outer(camera.glow_e_s * glow_y, glow_x).astype(np.float32)
    dark += np.float32(camera.dark_e_s)
    hot = _scattered(rng, shape, camera.hot_fraction)
    low_rate, high_rate = np.log(camera.hot_e_s)
    dark[hot] += np.exp(rng.uniform(low_rate, high_rate, np.count_nonzero(hot))).astype("f4")
    response = rng.standard_normal(shape, dtype=np.float32)
    response *= np.float32(camera.pixel_response)
    response += np.float32(1.0)
    low = _scattered(rng, shape, camera.low_fraction)
    response[low] = rng.uniform(*camera.low_response, np.count_nonzero(low)).astype("f4")
    return Signature(bias_adu=bias, dark_e_s=dark, response=response, hot=hot, low=low)


def flat_field(rng: np.random.Generator, signature: Signature, optics: OpticsPlan) -> Image:
    """Give the flat of one filter: response, vignetting and dust, of median 1."""
    flat: Image = signature.response.copy()
    ny, nx = flat.shape
    x0 = (nx - 1) / 2 + optics.vignetting_centre[0] * nx
    y0 = (ny - 1) / 2 + optics.vignetting_centre[1] * ny
    unit = math.hypot(nx, ny) / 2
    dx2 = (((np.arange(nx) - x0) / unit) ** 2).astype(np.float32)
    dy2 = (((np.arange(ny) - y0) / unit) ** 2).astype(np.float32)
    for row in range(ny):
        flat[row] *= 1 - np.float32(optics.vignetting) * (dx2 + dy2[row])
    for _ in range(optics.dust):
        centre = rng.uniform(0, 1, 2) * (nx, ny)
        radius = rng.uniform(0.015, 0.04) * unit
        _shade(flat, centre, radius, optics.dust_depth * rng.uniform(0.3, 1.0))
    sparse = flat[:: max(1, ny // 1000), :: max(1, nx // 1000)]
    flat /= np.float32(np.median(sparse))
    return flat


def developed(
    photons: Image,
    *,
    signature: Signature,
    camera: CameraPlan,
    flat: Image,
    exposure_s: float,
    temperature_c: float,
    hours: float = 0.0,
    rng: np.random.Generator,
) -> Iterator[NDArray[np.uint16]]:
    """Give the raw frame that the camera records, in blocks of rows.

    Parameters
    ----------
    photons : ndarray, shape (ny, nx) or (1, nx), float32
        Expected photo-electrons before flat-field losses; one row stands for
        all rows alike.
    signature, camera : Signature, CameraPlan
        The camera. Photon and dark noise are drawn from the normal
        distribution of the Poisson distribution's variance.
    flat : ndarray, shape (ny, nx), float32
        Response to light.
    exposure_s, temperature_c : float
        Exposure, and sensor temperature for the dark current.
    hours : float
        Since the night began.
    rng : numpy.random.Generator
        Source of randomness.

    Yields
    ------
    ndarray, shape (rows, nx + overscan), uint16
        Raw rows, ADU, in native byte order.
    """
    ny, width = signature.bias_adu.shape
    rows = max(1, min(ny, _BLOCK_PIXELS // width))
    noise = np.empty((rows, width), dtype=np.float32)
    raw = np.empty((rows, width), dtype=np.uint16)
    drift = camera.bias_drift_adu * float(rng.standard_normal()) + camera.bias_rise_adu_h * hours
    dark_time = exposure_s * camera.dark_factor(temperature_c)
    for top in range(0, ny, rows):
        count = min(rows, ny - top)
        rng.standard_normal(out=noise[:count], dtype=np.float32)
        _record(
            photons if photons.shape[0] == 1 else photons[top : top + count],
            flat[top : top + count],
            signature.dark_e_s[top : top + count],
            signature.bias_adu[top : top + count],
            noise[:count],
            raw[:count],
            np.float32(dark_time),
            np.float32(drift),
            np.float32(camera.read_noise_e**2),
            np.float32(1 / camera.gain_e_adu),
            np.float32(camera.saturation_adu),
        )
        yield raw[:count]


def _scattered(
    rng: np.random.Generator, shape: tuple[int, int], fraction: float
) -> NDArray[np.bool_]:
    ny, nx = shape
    mask = np.zeros(shape, dtype=bool)
    mask.reshape(-1)[rng.integers(0, ny * nx, round(fraction * ny * nx))] = True
    return mask


def _shade(flat: Image, centre: NDArray[np.float64], radius: float, depth: float) -> None:
    """Darken a ring: the shadow of a mote out of focus, with a lighter middle."""
    ny, nx = flat.shape
    x0, x1 = max(0, int(centre[0] - 1.5 * radius)), min(nx, int(centre[0] + 1.5 * radius) + 1)
    y0, y1 = max(0, int(centre[1] - 1.5 * radius)), min(ny, int(centre[1] + 1.5 * radius) + 1)
    dx, dy = np.arange(x0, x1) - centre[0], np.arange(y0, y1)[:, np.newaxis] - centre[1]
    r = np.hypot(dx, dy) / radius
    outer, inner = 1 / (1 + np.exp((r - 1) * 12)), 1 / (1 + np.exp((r - 0.4) * 12))
    flat[y0:y1, x0:x1] *= (1 - depth * (outer - 0.7 * inner)).astype(np.float32)


@compiled_fast
def _record(  # type: ignore[no-untyped-def]
    photons, flat, dark, bias, noise, raw, dark_time, drift, read_variance, adu_per_e, saturation
):
    rows, width = raw.shape
    nx = flat.shape[1]
    half, zero = np.float32(0.5), np.float32(0.0)
    for j in range(rows):
        light = photons[j if photons.shape[0] > 1 else 0]
        for i in range(nx):
            electrons = light[i] * flat[j, i] + dark[j, i] * dark_time
            electrons += np.sqrt(electrons + read_variance) * noise[j, i]
            adu = electrons * adu_per_e + bias[j, i] + drift
            raw[j, i] = np.uint16(max(zero, min(adu, saturation)) + half)
        for i in range(nx, width):
            adu = np.sqrt(read_variance) * noise[j, i] * adu_per_e + bias[j, i] + drift
            raw[j, i] = np.uint16(max(zero, min(adu, saturation)) + half)
