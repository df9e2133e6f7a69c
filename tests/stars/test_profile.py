"""Definitions of the shared profile against formulae and numerical integration."""

import numpy as np
import pytest

from stackbench.stars.profile import (
    FWHM_PER_SIGMA,
    StarProfile,
    angle_of,
    clipped,
    eccentricity_of,
)
from tests.support.starpainter import Profile


def test_gaussian_fwhm_per_sigma():
    # 2√(2 ln 2), derivable.
    assert pytest.approx(2.3548200450, abs=1e-10) == FWHM_PER_SIGMA


@pytest.mark.parametrize(
    ("ratio", "eccentricity"),
    [(0.9, 0.435890), (0.8, 0.600000), (0.7, 0.714143), (0.5, 0.866025)],
)
def test_eccentricity_of_axis_ratio(ratio: float, eccentricity: float):
    # √(1 − (b/a)²), as photutils.SourceCatalog.eccentricity defines it.
    chi = (1 - ratio**2) / (1 + ratio**2)
    assert eccentricity_of(chi * 1j) == pytest.approx(eccentricity, abs=1e-6)


def test_angle_runs_from_x_towards_y():
    for angle in (0.0, 30.0, 90.0, 179.0):
        chi = 0.2 * np.exp(2j * np.radians(angle))
        assert angle_of(chi) == pytest.approx(angle, abs=1e-9)


@pytest.mark.parametrize("beta", [2.5, 4.0, 200.0])
@pytest.mark.parametrize("ratio", [1.0, 0.5])
def test_enclosed_flux_agrees_with_a_numerical_sum(beta: float, ratio: float):
    chi = (1 - ratio**2) / (1 + ratio**2)
    profile = StarProfile(fwhm_px=4.0, chi=chi * np.exp(0.7j), u=1 / beta)
    step = 0.02
    axis = np.arange(-10, 10, step) + step / 2
    dx, dy = np.meshgrid(axis, axis)
    density = Profile(fwhm=4.0, axis_ratio=ratio, beta=beta).density(dx, dy)
    for radius in (2.0, 5.0, 9.0):
        inside = density[dx**2 + dy**2 <= radius**2].sum() * step**2
        assert profile.enclosed(radius) == pytest.approx(inside, abs=5e-4)


def test_axes_have_the_geometric_mean():
    profile = StarProfile(fwhm_px=3.0, chi=0.6, u=0.3)
    major, minor = profile.axes_px
    assert major * minor == pytest.approx(9.0)
    # χ = 0.6 means a² = 4 b².
    assert major / minor == pytest.approx(2.0)


def test_clipped_drops_outliers_and_nan():
    values = np.array([1.0, 1.1, 0.9, 1.05, 0.95, 8.0, np.nan])
    assert clipped(values, reach=3.0, least=0.0).tolist() == [True] * 5 + [False] * 2
    assert not clipped(np.array([np.nan]), reach=3.0, least=0.0).any()
