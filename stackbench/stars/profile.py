"""The profile that the stars of one frame share."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.frames.robust import mad_sigma, median
from stackbench.stars.records import Floats

FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))
_DIRECTIONS = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class StarProfile:
    """An elliptical profile: `fwhm_px` is the geometric mean of its axes' FWHM.

    `chi` is its ellipticity (a² − b²)/(a² + b²)·exp(2iθ), `u` = 1/β.
    """

    fwhm_px: float
    chi: complex
    u: float

    @property
    def axes_px(self) -> tuple[float, float]:
        """FWHM along the two axes.

        Returns
        -------
        tuple of float
            Of the major and of the minor axis, pixels.
        """
        squared = (1 + abs(self.chi)) / (1 - abs(self.chi))  # (a/b)²
        return self.fwhm_px * squared**0.25, self.fwhm_px / squared**0.25

    @property
    def sigma_px(self) -> float:
        """Width of the round Gaussian of this FWHM.

        Returns
        -------
        float
            Standard deviation, pixels.
        """
        return float(self.fwhm_px / FWHM_PER_SIGMA)

    def enclosed(self, radius_px: float) -> float:
        """Return the share of the flux inside a circle.

        Parameters
        ----------
        radius_px : float
            Radius of the circle around the star's centre, pixels.

        Returns
        -------
        float
            Share, 0 to 1. Along each direction φ, where q = g(φ)·r², the
            profile (1 + kq)^(−β) integrates to (1 − (1 + kgr²)^(1−β)) / 2kg(β−1).
        """
        major, minor = self.axes_px
        turn = (np.arange(_DIRECTIONS) + 0.5) * np.pi / (2 * _DIRECTIONS)
        g = (2 * np.cos(turn) / major) ** 2 + (2 * np.sin(turn) / minor) ** 2
        # The total diverges for β ≤ 1; no star has such wings.
        beta = max(1.0 / self.u, 1.2)
        k = 2.0 ** (1.0 / beta) - 1.0
        inside = 1.0 - (1.0 + k * g * radius_px**2) ** (1.0 - beta)
        return float((inside / g).sum() / (1.0 / g).sum())


def eccentricity_of(chi: npt.NDArray[np.complex128] | complex) -> Floats:
    """Turn ellipticity χ into eccentricity √(1 − (b/a)²).

    Parameters
    ----------
    chi : complex or ndarray of complex
        Ellipticity (a² − b²)/(a² + b²)·exp(2iθ).

    Returns
    -------
    ndarray, float64
        √(2|χ|/(1 + |χ|)).
    """
    size = np.abs(chi)
    result: Floats = np.sqrt(2 * size / (1 + size))
    return result


def angle_of(chi: npt.NDArray[np.complex128] | complex) -> Floats:
    """Turn ellipticity χ into the direction of its major axis.

    Parameters
    ----------
    chi : complex or ndarray of complex
        Ellipticity (a² − b²)/(a² + b²)·exp(2iθ).

    Returns
    -------
    ndarray, float64
        θ, degrees from +x towards +y, 0 to 180.
    """
    degrees: Floats = np.mod(np.degrees(np.angle(chi)) / 2, 180.0)
    return degrees


def clipped(values: Floats, *, reach: float, least: float) -> npt.NDArray[np.bool_]:
    """Say which values lie near their median.

    Parameters
    ----------
    values : ndarray, 1-D, float64
        Values; NaN lies nowhere near.
    reach : float
        Allowed distance in units of the scaled median absolute deviation.
    least : float
        Allowed distance at least.

    Returns
    -------
    ndarray, bool
        After three rounds of median and scaled MAD.
    """
    near = np.isfinite(values)
    for _ in range(3):
        if not near.any():
            break
        centre = median(values[near])
        reached = max(reach * mad_sigma(values[near], centre), least)
        near = np.abs(values - centre) <= reached
    return near
