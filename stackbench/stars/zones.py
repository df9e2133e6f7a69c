"""How the shape of the stars changes across a field."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.stars.records import Floats, StarTable

_PARTS = 3
# With fewer stars a zone's shape would be that of one star's noise.
_FEWEST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Zones:
    """The stars' shape in 3 × 3 equal parts of a field.

    All arrays are (3, 3), row 0 being that of the least y. `fwhm_px` is the
    median; `eccentricity` and `angle_deg` (major axis, from +x towards +y, 0 to
    180) are of the elongation that the zone's stars have in common, so that
    noise, which points anywhere, cancels. NaN where there are fewer than three
    stars with a shape. `count` is how many there are. `left`, `bottom`,
    `width` and `height` tell where the field lies.
    """

    fwhm_px: Floats
    eccentricity: Floats
    angle_deg: Floats
    count: npt.NDArray[np.int64]
    left: float
    bottom: float
    width: float
    height: float


def zones_of(
    stars: StarTable, *, shape: tuple[int, int], matrix: npt.NDArray[np.float64] | None = None
) -> Zones:
    """Sum up the stars' shapes by zones.

    Parameters
    ----------
    stars : StarTable
        The stars of a frame; NaN shapes are passed over.
    shape : tuple of int
        The frame's (ny, nx).
    matrix : ndarray, shape (3, 3), optional
        From the frame's pixels to those in which zones are wanted; None for
        the frame's own. Places and directions follow it, widths stay as they are.

    Returns
    -------
    Zones
        Where parts of the field are wanted in other pixels, of the smallest
        upright rectangle around it.

    References
    ----------
    Polarisation χ = (a² − b²)/(a² + b²) as a vector of twice the angle:
    Schneider & Seitz 1995, A&A 294, 411 (from memory). With e² = 1 − (b/a)²,
    χ = e²/(2 − e²).
    """
    matrix = np.eye(3) if matrix is None else matrix
    ny, nx = shape
    corners = _moved(matrix, np.array([-0.5, nx - 0.5] * 2), np.array([-0.5] * 2 + [ny - 0.5] * 2))
    left, bottom = corners.min(axis=1)
    width, height = np.ptp(corners, axis=1)
    shaped = np.isfinite(stars.fwhm_px) & np.isfinite(stars.eccentricity)
    x, y = _moved(matrix, stars.x[shaped], stars.y[shaped])
    column = np.clip((x - left) / width * _PARTS, 0, _PARTS - 1).astype(np.int64)
    row = np.clip((y - bottom) / height * _PARTS, 0, _PARTS - 1).astype(np.int64)
    angle = np.deg2rad(stars.angle_deg[shaped])
    turned_x, turned_y = matrix[:2, :2] @ np.array([np.cos(angle), np.sin(angle)])
    angle = np.arctan2(turned_y, turned_x)
    squared = stars.eccentricity[shaped] ** 2
    chi = squared / (2.0 - squared)
    values = np.array([stars.fwhm_px[shaped], chi * np.cos(2 * angle), chi * np.sin(2 * angle)])
    medians = np.full((3, _PARTS, _PARTS), np.nan)
    count = np.zeros((_PARTS, _PARTS), dtype=np.int64)
    for j, i in np.ndindex(_PARTS, _PARTS):
        here = (row == j) & (column == i)
        count[j, i] = np.count_nonzero(here)
        if count[j, i] >= _FEWEST:
            medians[:, j, i] = np.median(values[:, here], axis=1)
    common = np.hypot(medians[1], medians[2])
    return Zones(
        fwhm_px=medians[0],
        eccentricity=np.sqrt(2 * common / (1 + common)),
        angle_deg=np.rad2deg(np.arctan2(medians[2], medians[1]) / 2) % 180.0,
        count=count,
        left=float(left),
        bottom=float(bottom),
        width=float(width),
        height=float(height),
    )


def _moved(matrix: npt.NDArray[np.float64], x: Floats, y: Floats) -> Floats:
    moved = matrix @ np.array([x, y, np.ones_like(x)])
    places: Floats = moved[:2] / moved[2]
    return places
