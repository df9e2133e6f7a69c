"""One simulated image in memory, for tests that need stars and no files."""

import math
from dataclasses import dataclass

import numpy as np

from tests.support.simulator.camera import Image
from tests.support.simulator.field import Column, StarField, random_field
from tests.support.simulator.geometry import Matrix, inverse, mapped
from tests.support.simulator.profile import RecordedShape, StarProfile, recorded_shape
from tests.support.simulator.stamps import draw_stars


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedField:
    """An image and its truth: `x`, `y`, `flux` (ADU) of all stars drawn, in pixels of the image.

    `noise_adu` is the noise of a pixel of bare sky.
    """

    image: Image
    x: Column
    y: Column
    flux: Column
    stars: StarField
    to_grid: Matrix
    profile: StarProfile
    recorded: RecordedShape
    sky_adu: float
    noise_adu: float

    def inside(self, margin_px: float = 0.0) -> np.ndarray:
        """Mark the stars at least `margin_px` inside the image's edges."""
        ny, nx = self.image.shape
        within: np.ndarray = (
            (self.x >= margin_px)
            & (self.x <= nx - 1 - margin_px)
            & (self.y >= margin_px)
            & (self.y <= ny - 1 - margin_px)
        )
        return within


def simulate_field(
    shape: tuple[int, int],
    *,
    rng: np.random.Generator,
    profile: StarProfile | None = None,
    stars: StarField | int = 100,
    flux_adu: tuple[float, float] = (2.0e3, 2.0e5),
    separation_px: float = 0.0,
    to_grid: Matrix | None = None,
    transparency: float = 1.0,
    sky_adu: float = 500.0,
    gain_e_adu: float = 1.0,
    read_noise_e: float = 5.0,
    noise: bool = True,
) -> SimulatedField:
    """Draw a calibrated image of a star field.

    Parameters
    ----------
    shape : tuple of int
        Image's (ny, nx).
    rng : numpy.random.Generator
        Source of randomness.
    profile : StarProfile, optional
        Shape of the stars; a round Moffat profile of 3 px otherwise.
    stars : StarField or int
        Field on the grid, its fluxes in ADU; or how many stars to scatter.
    flux_adu, separation_px : tuple of float, float
        Range of fluxes and least distance of scattered stars.
    to_grid : ndarray, shape (3, 3), optional
        Transform from the image to the grid; identity otherwise.
    transparency : float
        Factor of all fluxes.
    sky_adu, gain_e_adu, read_noise_e : float
        Sky level, e⁻/ADU, read noise; noise is normal with Poisson's variance.
    noise : bool
        False gives the expected image.

    Returns
    -------
    SimulatedField
        Image (float32, ADU) and truth.
    """
    profile = profile or StarProfile()
    matrix = np.eye(3) if to_grid is None else to_grid
    if isinstance(stars, int):
        stars = random_field(
            rng,
            shape,
            stars,
            flux_range=flux_adu,
            margin_px=20.0,
            separation_px=separation_px,
            square=to_grid is not None,
        )
    x, y = mapped(inverse(matrix), stars.x, stars.y)
    noise_adu = math.sqrt(max(sky_adu, 0.0) * gain_e_adu + read_noise_e**2) / gain_e_adu
    image: Image = np.full(shape, sky_adu, dtype=np.float32)
    draw_stars(
        image,
        x,
        y,
        stars.flux * transparency,
        fwhm_px=profile.fwhm_px,
        axis_ratio=profile.axis_ratio,
        angle_deg=profile.angle_deg,
        profile=profile.kind,
        beta=profile.beta,
        floor=max(0.002 * noise_adu, 1e-4),
    )
    if noise:
        sigma = np.sqrt(np.maximum(image, 0.0) * gain_e_adu + read_noise_e**2) / gain_e_adu
        image += sigma.astype(np.float32) * rng.standard_normal(shape, dtype=np.float32)
    return SimulatedField(
        image=image,
        x=x,
        y=y,
        flux=stars.flux * transparency,
        stars=stars,
        to_grid=matrix,
        profile=profile,
        recorded=recorded_shape(profile),
        sky_adu=sky_adu,
        noise_adu=noise_adu,
    )
