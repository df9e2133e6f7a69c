"""Total fluxes of stars, the same share of each whatever the frame's FWHM.

A star is summed in a small circle, where noise and neighbours matter least.
How much a large circle holds beyond that comes from the frame's own bright,
lone stars, and the little that lies beyond the large circle, or was taken for
sky in the ring, from the frame's fitted profile.
"""

import numpy as np
import numpy.typing as npt

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import lower
from stackbench.stars.profile import StarProfile
from stackbench.stars.records import Floats

_SMALL, _LARGE, _RING = 1.25, 2.5, 2.75  # radii, in units of the mean FWHM
_LEAST_LARGE_PX = 7.0
_GROWTH_STARS, _LEAST_GROWTH_STARS = 30, 5


def total_fluxes(
    image: npt.NDArray[np.float32],
    x: Floats,
    y: Floats,
    sky: Floats,
    *,
    profile: StarProfile,
    bright: npt.NDArray[np.intp],
    reach_px: float = 0.0,
) -> Floats:
    """Measure the total flux of stars.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, C-contiguous
        Pixels, ADU; a NaN pixel takes the value of the one opposite the
        star's centre. Not modified.
    x, y : ndarray, 1-D, float64
        Centres, pixels.
    sky : ndarray, 1-D, float64
        Sky in a ring from `ring_px` on, ADU.
    profile : StarProfile
        The profile that the stars share.
    bright : ndarray, 1-D, int
        Indices of bright stars without neighbours, best first.
    reach_px : float
        Distance of a companion that all stars have, whose flux is to be
        counted in, pixels.

    Returns
    -------
    ndarray, float64
        Total flux, ADU; may be negative where there is no star.
    """
    unit = sum(profile.axes_px) / 2
    small, large = _SMALL * unit, max(_LARGE * unit, _LEAST_LARGE_PX) + reach_px
    sums = _circles(image, x, y, sky, small)
    # Flux of the star itself per pixel of the ring, taken for sky.
    inner = ring_px(profile, reach_px=reach_px)
    outer = inner + max(3.0, 0.5 * inner)
    wing = (profile.enclosed(outer) - profile.enclosed(inner)) / (np.pi * (outer**2 - inner**2))
    in_small = profile.enclosed(small) - wing * np.pi * small**2
    in_large = profile.enclosed(large) - wing * np.pi * large**2
    growth = in_large / in_small
    chosen = bright[:_GROWTH_STARS]
    if len(chosen) >= _LEAST_GROWTH_STARS:
        ratio = _circles(image, x[chosen], y[chosen], sky[chosen], large) / sums[chosen]
        growth = float(np.median(ratio))
    return sums * growth / in_large


def ring_px(profile: StarProfile, *, reach_px: float = 0.0) -> float:
    """Return the inner radius of the ring where a star's sky is taken.

    Parameters
    ----------
    profile : StarProfile
        The profile that the stars share.
    reach_px : float
        Distance of a companion that all stars have, pixels.

    Returns
    -------
    float
        Radius, pixels.
    """
    return max(_RING * sum(profile.axes_px) / 2, _LEAST_LARGE_PX + 1.0) + reach_px


def _circles(
    image: npt.NDArray[np.float32], x: Floats, y: Floats, sky: Floats, radius: float
) -> Floats:
    """Flux above the sky inside a circle around each place."""
    sums = np.empty(len(x))
    _sum_circles(image, x, y, sky, float(radius), sums)
    return sums


@compiled
def _sum_circles(
    image: npt.NDArray[np.float32], x: Floats, y: Floats, sky: Floats, radius: float, sums: Floats
) -> None:
    """Fill `sums`; a pixel on the rim counts by how far it lies inside."""
    ny, nx = image.shape
    for k in range(x.size):
        ix, iy = np.int64(np.floor(x[k] + 0.5)), np.int64(np.floor(y[k] + 0.5))
        reach = np.int64(radius + 1.5)
        total = 0.0
        for j in range(iy - reach, iy + reach + 1):
            for i in range(ix - reach, ix + reach + 1):
                inside = radius + 0.5 - np.sqrt((i - x[k]) ** 2 + (j - y[k]) ** 2)
                if inside <= 0.0:
                    continue
                v = np.nan
                if 0 <= i < nx and 0 <= j < ny:
                    v = float(image[j, i])
                oi, oj = 2 * ix - i, 2 * iy - j
                if np.isnan(v) and 0 <= oi < nx and 0 <= oj < ny:
                    v = float(image[oj, oi])
                if not np.isnan(v):
                    total += lower(inside, 1.0) * (v - sky[k])
        sums[k] = total
