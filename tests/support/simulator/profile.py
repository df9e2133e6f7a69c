"""The profile of a star: formulas, and its axes as pixels record them."""

import math
from dataclasses import dataclass

import numpy as np

GAUSSIAN, MOFFAT = "gaussian", "moffat"

# Gauss-Legendre nodes and weights over one pixel, from -1/2 to 1/2.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_NODES, _WEIGHTS = _NODES / 2, _WEIGHTS / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class StarProfile:
    """The profile of a point source before pixels integrate it.

    `fwhm_px` is the geometric mean of the full widths at half maximum along
    both axes, `axis_ratio` minor over major, `angle_deg` the direction of the
    major axis, counter-clockwise from +x towards +y. `beta` is Moffat's
    exponent (Moffat 1969, A&A 3, 455) and has no meaning for a Gaussian.
    """

    kind: str = MOFFAT
    fwhm_px: float = 3.0
    axis_ratio: float = 1.0
    angle_deg: float = 0.0
    beta: float = 3.0

    def __post_init__(self) -> None:
        if self.kind not in (GAUSSIAN, MOFFAT):
            raise ValueError(f"unknown profile: {self.kind!r}")
        if not 0 < self.axis_ratio <= 1:
            raise ValueError(f"axis ratio outside (0, 1]: {self.axis_ratio}")
        if self.fwhm_px <= 0:
            raise ValueError(f"FWHM not above 0: {self.fwhm_px}")
        if self.kind == MOFFAT and self.beta <= 1:
            raise ValueError(f"a Moffat profile of beta <= 1 holds infinite flux: {self.beta}")

    @property
    def fwhm_axes_px(self) -> tuple[float, float]:
        """Full widths at half maximum along the major and the minor axis, px."""
        root = math.sqrt(self.axis_ratio)
        return self.fwhm_px / root, self.fwhm_px * root


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedShape:
    """The shape of a star as recorded, that is integrated over square pixels.

    Half maximum is that of the continuous pixel-integrated profile;
    `fwhm_px` is the geometric mean of the widths along the two axes.
    """

    fwhm_px: float
    axis_ratio: float
    angle_deg: float


def scale_of_fwhm(kind: str, beta: float) -> float:
    """Give α (Moffat) or σ (Gaussian) of a profile of unit FWHM.

    FWHM = 2√(2 ln 2) σ; FWHM = 2α√(2^(1/β) − 1), Moffat 1969, A&A 3, 455.
    """
    if kind == GAUSSIAN:
        return 1.0 / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    return 1.0 / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0))


def recorded_shape(profile: StarProfile) -> RecordedShape:
    """Give the shape of a profile after integration over pixels, by quadrature."""
    angle = math.radians(profile.angle_deg)
    major = _recorded_fwhm(profile, math.cos(angle), math.sin(angle))
    minor = _recorded_fwhm(profile, -math.sin(angle), math.cos(angle))
    return RecordedShape(
        fwhm_px=math.sqrt(major * minor),
        axis_ratio=min(1.0, minor / major),
        angle_deg=profile.angle_deg % 180.0,
    )


def _recorded_fwhm(profile: StarProfile, along_x: float, along_y: float) -> float:
    half = _pixel_integral(profile, 0.0, 0.0) / 2
    inside, outside = 0.0, 2.0 * profile.fwhm_axes_px[0] + 2.0
    for _ in range(50):
        middle = (inside + outside) / 2
        if _pixel_integral(profile, middle * along_x, middle * along_y) > half:
            inside = middle
        else:
            outside = middle
    return inside + outside


def _pixel_integral(profile: StarProfile, x: float, y: float) -> float:
    """Integrate the profile (peak 1) over the unit pixel centred at (x, y)."""
    angle = math.radians(profile.angle_deg)
    dx, dy = x + _NODES[np.newaxis, :], y + _NODES[:, np.newaxis]
    unit = scale_of_fwhm(profile.kind, profile.beta)
    major, minor = (unit * width for width in profile.fwhm_axes_px)
    u = ((dx * math.cos(angle) + dy * math.sin(angle)) / major) ** 2
    u = u + ((dy * math.cos(angle) - dx * math.sin(angle)) / minor) ** 2
    values = np.exp(-u / 2) if profile.kind == GAUSSIAN else (1 + u) ** -profile.beta
    return float(_WEIGHTS @ values @ _WEIGHTS)
