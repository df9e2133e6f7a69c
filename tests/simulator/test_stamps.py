"""Drawn stars have the flux, place and shape that was asked for."""

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import norm

from tests.support.simulator.profile import StarProfile, recorded_shape
from tests.support.simulator.stamps import draw_stars, draw_trail, trail_mask

FWHM_OF_SIGMA = 2.3548200450  # 2√(2 ln 2), mathematical fact


def _moments(image: NDArray[np.float32]) -> tuple[float, float, float, float, float]:
    weight = image.astype(np.float64) / image.sum(dtype=np.float64)
    y, x = np.indices(image.shape)
    x0, y0 = float((weight * x).sum()), float((weight * y).sum())
    dx, dy = x - x0, y - y0
    return (
        x0,
        y0,
        float((weight * dx**2).sum()),
        float((weight * dy**2).sum()),
        float((weight * dx * dy).sum()),
    )


@pytest.mark.parametrize(("sigma", "variance"), [(1.0, 1.083333), (1.5, 2.333333)])
def test_pixel_integration_adds_a_twelfth_to_the_variance(sigma, variance):
    # Sheppard's correction, mathematical fact: σ² + 1/12 px² for σ ≥ 0.8 px
    image = np.zeros((41, 41), np.float32)
    draw_stars(
        image, 20.3, 19.6, 1e5, fwhm_px=FWHM_OF_SIGMA * sigma, profile="gaussian", floor=1e-6
    )
    x, y, xx, yy, xy = _moments(image)
    assert (x, y) == pytest.approx((20.3, 19.6), abs=1e-5)
    assert (xx, yy) == pytest.approx((variance, variance), abs=2e-4)
    assert xy == pytest.approx(0, abs=1e-5)
    assert image.sum(dtype=np.float64) == pytest.approx(1e5, rel=1e-5)


def test_elliptical_gaussian_has_the_second_moments_of_its_ellipse():
    # Ellipse a = 3, b = 2, θ = 30°: x2 = 7.75, y2 = 5.25, xy = 2.165064, and
    # moment FWHM 2√(ln 2 (a² + b²)) = 6.003637 (derivable; photutils SourceCatalog.fwhm)
    image = np.zeros((81, 81), np.float32)
    draw_stars(
        image,
        40.3,
        39.6,
        1e6,
        fwhm_px=FWHM_OF_SIGMA * np.sqrt(6.0),
        axis_ratio=2 / 3,
        angle_deg=30.0,
        profile="gaussian",
        floor=1e-6,
    )
    _, _, xx, yy, xy = _moments(image)
    assert (xx - 1 / 12, yy - 1 / 12, xy) == pytest.approx((7.75, 5.25, 2.165064), abs=1e-3)
    assert 2 * np.sqrt(np.log(2) * (xx + yy - 1 / 6)) == pytest.approx(6.003637, abs=1e-3)


@pytest.mark.parametrize(
    ("beta", "alpha_factor"), [(2.5, 1.130501), (3.0, 1.019649), (4.0, 0.869959)]
)
def test_moffat_holds_its_analytic_flux_within_a_circle(beta, alpha_factor):
    # FWHM = 2α√(2^(1/β) − 1), Moffat 1969, A&A 3, 455 (and astropy Moffat1D.fwhm); the
    # flux within r is 1 − (1 + r²/α²)^(1−β) of the whole (derivable)
    alpha = 3.0
    image = np.zeros((121, 121), np.float32)
    draw_stars(image, 60.0, 60.0, 1e6, fwhm_px=alpha_factor * alpha, beta=beta, floor=1e-4)
    y, x = np.indices(image.shape) - 60
    for radius in (15.0, 30.0, 50.0):
        inside = image[np.hypot(x, y) <= radius].sum(dtype=np.float64)
        assert inside == pytest.approx(
            1e6 * (1 - (1 + (radius / alpha) ** 2) ** (1 - beta)), rel=3e-4
        )


@pytest.mark.parametrize("fwhm_px", [2.0, 3.5, 8.0])
@pytest.mark.parametrize("profile", ["moffat", "gaussian"])
def test_stars_agree_with_galsim(profile, fwhm_px):
    # galsim: independent code, Fourier drawing of the pixel-convolved profile
    axis_ratio, angle_deg, offset = 0.7, 25.0, (0.31, -0.42)
    if profile == "moffat":
        round_star = galsim.Moffat(beta=3.0, fwhm=fwhm_px, flux=1e5)
    else:
        round_star = galsim.Gaussian(fwhm=fwhm_px, flux=1e5)
    star = round_star.shear(q=axis_ratio, beta=angle_deg * galsim.degrees)
    outside = star.drawImage(nx=61, ny=61, scale=1.0, offset=offset, dtype=float).array
    image = np.zeros((61, 61), np.float32)
    draw_stars(
        image,
        30 + offset[0],
        30 + offset[1],
        1e5,
        fwhm_px=fwhm_px,
        axis_ratio=axis_ratio,
        angle_deg=angle_deg,
        profile=profile,
    )
    assert np.abs(image - outside).max() < 2e-3 * outside.max()


def test_recorded_width_of_a_gaussian_is_that_of_its_error_functions():
    # along one axis a pixel-integrated Gaussian is Φ((x+½)/σ) − Φ((x−½)/σ) (derivable)
    for sigma in (0.8, 1.5, 3.0):

        def recorded(x, sigma=sigma):
            return norm.cdf((x + 0.5) / sigma) - norm.cdf((x - 0.5) / sigma)

        half = brentq(lambda x: recorded(x) - recorded(0.0) / 2, 0.1, 20.0)
        shape = recorded_shape(StarProfile(kind="gaussian", fwhm_px=FWHM_OF_SIGMA * sigma))
        assert shape.fwhm_px == pytest.approx(2 * half, rel=1e-6)
        assert shape.axis_ratio == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("axis_ratio", [1.0, 0.6])
def test_drawn_pixels_fall_to_half_at_half_the_recorded_width(axis_ratio):
    profile = StarProfile(fwhm_px=2.5, axis_ratio=axis_ratio, angle_deg=40.0)
    shape = recorded_shape(profile)
    major = shape.fwhm_px / np.sqrt(shape.axis_ratio)

    def pixel_at(distance):
        image = np.zeros((31, 31), np.float32)
        turn = np.radians(40.0)
        x, y = 15 - distance * np.cos(turn), 15 - distance * np.sin(turn)
        draw_stars(image, x, y, 1e4, fwhm_px=2.5, axis_ratio=axis_ratio, angle_deg=40.0)
        return image[15, 15]

    assert pixel_at(major / 2) == pytest.approx(pixel_at(0.0) / 2, rel=2e-3)
    assert shape.axis_ratio >= axis_ratio - 1e-9  # pixels make stars rounder


def test_stars_over_the_edge_are_cut_and_not_wrapped():
    whole = np.zeros((60, 60), np.float32)
    draw_stars(whole, [20.2, 42.0], [20.4, 15.0], [1e4, 2e4], fwhm_px=3.0)
    part = np.zeros((30, 30), np.float32)
    draw_stars(part, [5.2, 27.0], [5.4, 0.0], [1e4, 2e4], fwhm_px=3.0)
    np.testing.assert_allclose(part, whole[15:45, 15:45], rtol=1e-5, atol=1e-4)


def test_trail_lies_under_its_mask():
    image = np.zeros((80, 100), np.float32)
    draw_trail(image, angle_deg=30.0, offset_px=7.0, width_px=4.0, peak=100.0)
    mask = trail_mask(image.shape, angle_deg=30.0, offset_px=7.0, half_width_px=2.0)
    assert image[mask].min() >= 49.9
    assert image[~mask].max() <= 50.1
    assert image.max() == pytest.approx(100.0, rel=0.01)


def test_unknown_profiles_are_refused():
    with pytest.raises(ValueError, match="unknown profile"):
        draw_stars(np.zeros((9, 9), np.float32), 4, 4, 1.0, fwhm_px=2.0, profile="square")
    with pytest.raises(ValueError, match="axis ratio"):
        StarProfile(axis_ratio=1.2)
