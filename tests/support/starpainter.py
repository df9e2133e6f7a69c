"""Paint stars of known shape, integrated over pixels, and know their recorded shape.

Independent of the measuring code: profiles are evaluated on a fine lattice
inside every pixel and averaged.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """An elliptical star. `beta` None means Gaussian, else Moffat.

    `fwhm` is the geometric mean of the two axes' FWHM before the pixels.
    """

    fwhm: float
    axis_ratio: float = 1.0
    angle_deg: float = 0.0
    beta: float | None = None

    def density(self, dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        """Flux per square pixel of a star of flux 1, at offsets from its centre."""
        major, minor = self.fwhm / np.sqrt(self.axis_ratio), self.fwhm * np.sqrt(self.axis_ratio)
        c, s = np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))
        # q is 1 at half maximum.
        q = (2 * (dx * c + dy * s) / major) ** 2 + (2 * (dy * c - dx * s) / minor) ** 2
        area = np.pi * major * minor / 4
        if self.beta is None:
            return np.log(2) / area * np.exp(-np.log(2) * q)
        k = 2 ** (1 / self.beta) - 1
        return (self.beta - 1) * k / area * (1 + k * q) ** -self.beta

    def recorded(self, dx: float, dy: float, *, fine: int = 25) -> float:
        """The mean density over a pixel centred at (dx, dy)."""
        lattice = (np.arange(fine) + 0.5) / fine - 0.5
        return float(self.density(dx + lattice[None, :], dy + lattice[:, None]).mean())

    def recorded_axes(self) -> tuple[float, float]:
        """FWHM along the major and the minor axis of the profile as recorded."""
        half = self.recorded(0, 0) / 2
        widths = []
        for turn in (0, 90):
            c, s = (
                np.cos(np.radians(self.angle_deg + turn)),
                np.sin(np.radians(self.angle_deg + turn)),
            )
            edge = brentq(
                lambda t, c=c, s=s: self.recorded(t * c, t * s) - half, 0.1, 5 * self.fwhm
            )
            widths.append(2 * edge)
        return widths[0], widths[1]


def add_star(
    image: np.ndarray,
    density: Callable[[np.ndarray, np.ndarray], np.ndarray],
    *,
    x: float,
    y: float,
    flux: float,
    radius: float,
    fine: int = 5,
) -> None:
    """Add one star to `image`, in place, out to `radius`, pixels.

    `density` is flux per square pixel at offsets (dx, dy), for flux 1.
    """
    ny, nx = image.shape
    x0, x1 = max(0, int(x - radius)), min(nx, int(x + radius) + 2)
    y0, y1 = max(0, int(y - radius)), min(ny, int(y + radius) + 2)
    if x0 >= x1 or y0 >= y1:
        return
    lattice = (np.arange(fine) + 0.5) / fine - 0.5
    xs = (np.arange(x0, x1)[:, None] + lattice[None, :]).ravel() - x
    ys = (np.arange(y0, y1)[:, None] + lattice[None, :]).ravel() - y
    values = density(xs[None, :], ys[:, None])
    image[y0:y1, x0:x1] += flux * values.reshape(y1 - y0, fine, x1 - x0, fine).mean(axis=(1, 3))


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A painted field and its truth."""

    image: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray


def scattered(
    rng: np.random.Generator, *, count: int, shape: tuple[int, int], apart: float, margin: float
) -> tuple[np.ndarray, np.ndarray]:
    """Random positions (x, y) at least `apart` pixels from each other, off the edges."""
    ny, nx = shape
    places: list[tuple[float, float]] = []
    for _ in range(200 * count):
        x, y = rng.uniform(margin, nx - 1 - margin), rng.uniform(margin, ny - 1 - margin)
        if all((x - a) ** 2 + (y - b) ** 2 >= apart**2 for a, b in places):
            places.append((x, y))
        if len(places) == count:
            break
    if len(places) < count:
        raise ValueError(f"only {len(places)} of {count} stars fit into {shape}")
    return np.array([p[0] for p in places]), np.array([p[1] for p in places])


def paint_field(
    density: Callable[[np.ndarray, np.ndarray], np.ndarray],
    *,
    rng: np.random.Generator,
    fwhm: float,
    count: int = 60,
    shape: tuple[int, int] = (512, 512),
    sky: float = 800.0,
    noise: float = 10.0,
    snr: tuple[float, float] = (20.0, 2000.0),
    radius: float | None = None,
    apart: float | None = None,
) -> Field:
    """Paint stars of one profile, fluxes log-uniform in S/N, with Gaussian noise.

    S/N is that of an optimally weighted Gaussian of `fwhm` against the
    background's noise: flux / (noise · √(4π) · σ).
    """
    radius = 5 * fwhm if radius is None else radius
    apart = 5 * fwhm if apart is None else apart
    x, y = scattered(rng, count=count, shape=shape, apart=apart, margin=2.5 * fwhm + 4)
    to_flux = noise * np.sqrt(4 * np.pi) * fwhm / 2.354820045
    flux = to_flux * np.exp(rng.uniform(np.log(snr[0]), np.log(snr[1]), count))
    image = np.full(shape, sky)
    fine = max(3, int(np.ceil(10 / fwhm)))
    for k in range(count):
        add_star(image, density, x=x[k], y=y[k], flux=flux[k], radius=radius, fine=fine)
    image += rng.normal(0, noise, shape)
    return Field(image=image.astype(np.float32), x=x, y=y, flux=flux)
