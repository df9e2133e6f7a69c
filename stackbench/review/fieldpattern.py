"""How star shapes change over the field: tilt, curvature and elongation, in numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.frames.robust import mad_sigma, median
from stackbench.review.observations import Observation
from stackbench.review.series import Floats, fit_linear
from stackbench.stars.records import StarTable

_LEAST_SUBS = 5
_LEAST_STARS = 25


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPattern:
    """How FWHM and elongation change over the field of one sub, or of many.

    FWHM relative to that in the middle is 1 + tilt·(u, v) + curvature·ρ², with u
    and v from −1/2 to 1/2 across the frame and ρ = 1 in the corners. `radial`
    is the mean of what ellipticity e²/(2 − e²) the stars have towards (above 0) or
    across (below 0) the direction to the middle, per ρ. Errors are 1σ.
    """

    fwhm_px: float
    tilt: tuple[float, float]
    tilt_error: float
    curvature: float
    curvature_error: float
    radial: float
    radial_error: float
    stars: int

    @property
    def tilt_size(self) -> float:
        """The change of FWHM from edge to edge, along the steepest direction.

        Returns
        -------
        float
            As a share of FWHM.
        """
        return math.hypot(*self.tilt)


def field_pattern(sub: Observation) -> FieldPattern | None:
    """Fit how star shapes change over the field of one sub.

    Parameters
    ----------
    sub : Observation
        A sub with its stars.

    Returns
    -------
    FieldPattern or None
        None with fewer than 25 stars of known shape.
    """
    table = sub.stars
    if table is None:
        return None
    known = np.isfinite(table.fwhm_px) & np.isfinite(table.eccentricity)
    if np.count_nonzero(known) < _LEAST_STARS:
        return None
    ny, nx = sub.shape
    u, v = (table.x[known] + 0.5) / nx - 0.5, (table.y[known] + 0.5) / ny - 0.5
    fwhm = table.fwhm_px[known]
    # in pixels, so that the field is round whatever its shape
    dx, dy = u * nx, v * ny
    rho2 = (dx**2 + dy**2) / ((nx / 2) ** 2 + (ny / 2) ** 2)
    design = np.column_stack([np.ones_like(u), u, v, rho2])
    solved = _resistant_fit(design, fwhm)
    if solved is None:
        return None
    coefficients, errors = solved
    middle = float(coefficients[0])
    radial = _radial(table, known, np.sqrt(rho2), 2 * np.arctan2(dy, dx))
    if radial is None:
        return None
    return FieldPattern(
        fwhm_px=middle,
        tilt=(float(coefficients[1]) / middle, float(coefficients[2]) / middle),
        tilt_error=float(max(errors[1], errors[2])) / middle,
        curvature=float(coefficients[3]) / middle,
        curvature_error=float(errors[3]) / middle,
        radial=radial[0],
        radial_error=radial[1],
        stars=int(np.count_nonzero(known)),
    )


def _radial(
    table: StarTable, known: npt.NDArray[np.bool_], rho: Floats, towards: Floats
) -> tuple[float, float] | None:
    """Fit the ellipticity by a part that all stars share and one along the middle's direction.

    What all have in common comes from the mount, not from the optics.
    """
    e2 = table.eccentricity[known] ** 2
    ellipticity = e2 / (2 - e2)
    doubled = np.radians(2 * table.angle_deg[known])
    one, none = np.ones_like(rho), np.zeros_like(rho)
    fit = fit_linear(
        [
            np.concatenate([one, none]),
            np.concatenate([none, one]),
            np.concatenate([rho * np.cos(towards), rho * np.sin(towards)]),
        ],
        np.concatenate([ellipticity * np.cos(doubled), ellipticity * np.sin(doubled)]),
    )
    return None if fit is None else (float(fit.coefficients[2]), float(fit.errors[2]))


def common_pattern(subs: Sequence[Observation]) -> tuple[FieldPattern, float] | None:
    """Average the patterns of many subs, and tell how far they agree.

    Parameters
    ----------
    subs : sequence of Observation
        Subs of one setup.

    Returns
    -------
    tuple of FieldPattern and float, or None
        Medians over the subs, with the errors of the medians from the scatter
        between subs; and the share of the subs whose tilt points to the same
        half of the field. None with fewer than five subs that have a pattern.
    """
    found = [one for sub in subs if (one := field_pattern(sub)) is not None]
    if len(found) < _LEAST_SUBS:
        return None
    tilts = np.array([one.tilt for one in found])
    tilt = np.median(tilts, axis=0)
    count = len(found)

    def _error(values: Floats) -> float:
        # of a median: 1.25 times that of a mean
        spread = mad_sigma(values, median(values))
        return 1.2533 * spread / math.sqrt(count)

    curvatures = np.array([one.curvature for one in found])
    radials = np.array([one.radial for one in found])
    pattern = FieldPattern(
        fwhm_px=float(np.median([one.fwhm_px for one in found])),
        tilt=(float(tilt[0]), float(tilt[1])),
        tilt_error=max(_error(tilts[:, 0]), _error(tilts[:, 1])),
        curvature=float(np.median(curvatures)),
        curvature_error=_error(curvatures),
        radial=float(np.median(radials)),
        radial_error=_error(radials),
        stars=sum(one.stars for one in found),
    )
    return pattern, float(np.mean(tilts @ tilt > 0))


def sharpest_point(pattern: FieldPattern, shape: tuple[int, int]) -> tuple[float, float] | None:
    """Tell where in the field stars are sharpest, by tilt and curvature together.

    Parameters
    ----------
    pattern : FieldPattern
        A pattern whose FWHM grows outwards.
    shape : tuple of int
        The frame's (ny, nx).

    Returns
    -------
    tuple of float, or None
        Distance from the middle in widths and heights of the frame, u and v; None
        when it lies outside the frame.
    """
    ny, nx = shape
    corner2 = (nx / 2) ** 2 + (ny / 2) ** 2
    u, v = (
        -slope * corner2 / (2 * pattern.curvature * size**2)
        for slope, size in zip(pattern.tilt, (nx, ny), strict=True)
    )
    return (u, v) if max(abs(u), abs(v)) <= 0.5 else None


def _resistant_fit(design: Floats, values: Floats) -> tuple[Floats, Floats] | None:
    """Fit by least squares, leaving out galaxies and blends beyond 3 scaled MAD."""
    used = np.ones(len(values), dtype=bool)
    coefficients: Floats = np.zeros(design.shape[1])
    for _ in range(10):
        if np.count_nonzero(used) < design.shape[1] + 5:
            return None
        solved, _, rank, _ = np.linalg.lstsq(design[used], values[used], rcond=1e-8)
        if rank < design.shape[1]:
            return None
        coefficients = solved.astype(np.float64)
        residuals = values - design @ coefficients
        centre = median(residuals[used])
        limit = 3 * mad_sigma(residuals[used], centre)
        again = np.abs(residuals - centre) <= limit
        if limit == 0 or (again == used).all():
            break
        used = again
    residuals = values[used] - design[used] @ coefficients
    variance = float(residuals @ residuals) / (np.count_nonzero(used) - design.shape[1])
    covariance = np.linalg.inv(design[used].T @ design[used]) * variance
    return coefficients, np.sqrt(np.diag(covariance))
