"""Drawing stars, galaxies and straight trails into an image, each only where it lies."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stackbench.frames.compiled import compiled
from tests.support.simulator.profile import GAUSSIAN, MOFFAT, scale_of_fwhm

_LARGEST_RADIUS_PX = 400.0


def draw_stars(
    image: NDArray[np.float32],
    x: ArrayLike,
    y: ArrayLike,
    flux: ArrayLike,
    *,
    fwhm_px: ArrayLike,
    axis_ratio: ArrayLike = 1.0,
    angle_deg: ArrayLike = 0.0,
    profile: str = MOFFAT,
    beta: float = 3.0,
    floor: float = 0.01,
) -> None:
    """Add stars, integrated over pixels, to an image.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        Changed in place.
    x, y : array_like
        Positions, 0-based, whole numbers at pixel centres; may lie outside.
    flux : array_like
        Flux of each star out to infinity, in the image's unit.
    fwhm_px, axis_ratio, angle_deg : array_like
        Shape before pixel integration as in `StarProfile`; one value or one a star.
    profile : {"moffat", "gaussian"}
        Profile of all stars.
    beta : float
        Moffat's exponent.
    floor : float
        A star is drawn out to where its wing falls below `floor` per pixel, and
        at least to 5 FWHM (4 for a Gaussian).
    """
    if profile not in (GAUSSIAN, MOFFAT):
        raise ValueError(f"unknown profile: {profile!r}")
    columns = [np.asarray(v, dtype=np.float64) for v in (x, y, flux, fwhm_px, axis_ratio)]
    columns.append(np.radians(np.asarray(angle_deg, dtype=np.float64)))
    xs, ys, fluxes, widths, ratios, angles = (
        np.ascontiguousarray(v).reshape(-1) for v in np.broadcast_arrays(*columns)
    )
    scales = widths * scale_of_fwhm(profile, beta)
    if profile == GAUSSIAN:
        peaks = fluxes / (2 * math.pi * scales**2)
        fade = np.sqrt(2 * np.log(np.maximum(peaks / floor, 1.0)))
        radii = np.maximum(scales * fade, 4 * widths) / np.sqrt(ratios)
        exponent = 0.0
    else:
        peaks = fluxes * (beta - 1) / (math.pi * scales**2)
        fade = np.sqrt(np.maximum(peaks / floor, 1.0) ** (1 / beta) - 1)
        radii = np.maximum(scales * fade, 5 * widths) / np.sqrt(ratios)
        exponent = beta
    radii = np.minimum(radii, np.maximum(_LARGEST_RADIUS_PX, 5 * widths))
    _draw_all(image, xs, ys, peaks, scales, ratios, angles, radii, widths, exponent)


def draw_trail(
    image: NDArray[np.float32],
    *,
    angle_deg: float,
    offset_px: float,
    width_px: float,
    peak: float,
) -> None:
    """Add a straight trail of Gaussian cross-section right across an image, in place.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        Changed in place.
    angle_deg : float
        Direction of the trail, counter-clockwise from +x towards +y.
    offset_px : float
        Distance of the trail from the middle of the frame, along its normal.
    width_px : float
        FWHM across.
    peak : float
        Value on the trail's axis, in the image's unit.
    """
    angle = math.radians(angle_deg)
    sigma = width_px * scale_of_fwhm(GAUSSIAN, 0.0)
    _draw_line(image, math.cos(angle), math.sin(angle), offset_px, sigma, peak)


def trail_mask(
    shape: tuple[int, int], *, angle_deg: float, offset_px: float, half_width_px: float
) -> NDArray[np.bool_]:
    """Mark the pixels whose centres lie within `half_width_px` of a trail's axis."""
    ny, nx = shape
    angle = math.radians(angle_deg)
    dx, dy = np.arange(nx) - (nx - 1) / 2, np.arange(ny)[:, np.newaxis] - (ny - 1) / 2
    distance = dy * math.cos(angle) - dx * math.sin(angle) - offset_px
    mask: NDArray[np.bool_] = np.abs(distance) <= half_width_px
    return mask


@compiled
def _value(u, exponent):  # type: ignore[no-untyped-def]
    if exponent == 0.0:
        return math.exp(-0.5 * u)
    return math.exp(-exponent * math.log1p(u))


@compiled
def _over_pixel3(dx, dy, a, b, c, exponent):  # type: ignore[no-untyped-def]
    """Average over a pixel by 3 x 3 Gauss-Legendre nodes."""
    step, total = math.sqrt(0.15), 0.0
    for n in range(-1, 2):
        v = dy + n * step
        for m in range(-1, 2):
            u = dx + m * step
            weight = (5.0 if n else 8.0) * (5.0 if m else 8.0) / 324.0
            total += weight * _value(a * u * u + 2 * b * u * v + c * v * v, exponent)
    return total


@compiled
def _over_pixel2(dx, dy, a, b, c, exponent):  # type: ignore[no-untyped-def]
    """Average over a pixel by 2 x 2 Gauss-Legendre nodes."""
    step, total = math.sqrt(1.0 / 12.0), 0.0
    for v in (dy - step, dy + step):
        for u in (dx - step, dx + step):
            total += 0.25 * _value(a * u * u + 2 * b * u * v + c * v * v, exponent)
    return total


@compiled
def _draw_all(  # type: ignore[no-untyped-def]
    image, xs, ys, peaks, scales, ratios, angles, radii, widths, exponent
):
    ny, nx = image.shape
    for star in range(xs.size):
        x0, y0, radius = xs[star], ys[star], radii[star]
        cosine, sine = math.cos(angles[star]), math.sin(angles[star])
        major = scales[star] / math.sqrt(ratios[star])
        minor = scales[star] * math.sqrt(ratios[star])
        a = (cosine / major) ** 2 + (sine / minor) ** 2
        b = cosine * sine * (1 / major**2 - 1 / minor**2)
        c = (sine / major) ** 2 + (cosine / minor) ** 2
        core = (2 * widths[star] / math.sqrt(ratios[star])) ** 2
        far = max(core, 144.0)  # from 12 px the middle of a pixel stands for all of it
        smooth = widths[star] * ratios[star] > 15.0  # wide enough to skip the quadrature
        for j in range(max(0, math.ceil(y0 - radius)), min(ny - 1, math.floor(y0 + radius)) + 1):
            dy = j - y0
            half = math.sqrt(max(0.0, radius * radius - dy * dy))
            for i in range(max(0, math.ceil(x0 - half)), min(nx - 1, math.floor(x0 + half)) + 1):
                dx = i - x0
                r2 = dx * dx + dy * dy
                if smooth or r2 > far:
                    value = _value(a * dx * dx + 2 * b * dx * dy + c * dy * dy, exponent)
                elif r2 < core:
                    value = _over_pixel3(dx, dy, a, b, c, exponent)
                else:
                    value = _over_pixel2(dx, dy, a, b, c, exponent)
                image[j, i] += peaks[star] * value


@compiled
def _draw_line(image, cosine, sine, offset, sigma, peak):  # type: ignore[no-untyped-def]
    ny, nx = image.shape
    reach = 5.0 * sigma + 1.0
    for j in range(ny):
        across = (j - (ny - 1) / 2) * cosine - offset
        for i in range(nx):
            distance = across - (i - (nx - 1) / 2) * sine
            if abs(distance) < reach:
                image[j, i] += peak * math.exp(-0.5 * (distance / sigma) ** 2)
