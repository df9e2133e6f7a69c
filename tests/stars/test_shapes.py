"""Fitted profiles against formulae, and why not isophotal moments."""

import numpy as np
import pytest
import sep

from stackbench.stars.profile import angle_of, eccentricity_of
from stackbench.stars.shapes import ShapeFits, fit_shapes
from tests.support.starpainter import Profile, add_star


def _fit(image: np.ndarray, fwhm: float, *, u: float = 0.3, free_u: bool = True) -> ShapeFits:
    one = np.array([1.0])
    start = (fwhm / 2) ** 2 * one
    return fit_shapes(
        image.astype(np.float32),
        50 * one,
        50 * one,
        0 * one,
        (start, 0 * one, start),
        u=u,
        free_u=free_u,
    )


def _sampled(profile: Profile, size: int = 101) -> np.ndarray:
    y, x = np.indices((size, size), dtype=float)
    return 1e5 * profile.density(x - 50.3, y - 49.6)


def test_gaussian_of_known_sigma():
    # FWHM = 2.3548200450 σ (derivable), σ = 2; started far off.
    fits = _fit(_sampled(Profile(fwhm=2 * 2.3548200450)), 3.0)
    assert fits.fwhm[0] == pytest.approx(2 * 2.3548200450, rel=2e-3)
    assert fits.x[0] == pytest.approx(50.3, abs=1e-4)
    assert fits.y[0] == pytest.approx(49.6, abs=1e-4)


@pytest.mark.parametrize("fwhm", [17.0, 18.0, 28.0, 35.0, 45.0])
def test_a_star_as_wide_as_it_may_be_is_fitted_on_all_of_its_disc(fwhm: float):
    y, x = np.indices((301, 301), dtype=float)
    image = 1e6 * Profile(fwhm=fwhm).density(x - 150.3, y - 149.6)
    place, start = np.array([150.0]), np.array([(fwhm / 2.2) ** 2])
    fits = fit_shapes(
        image.astype(np.float32), place, place, np.zeros(1), (start, np.zeros(1), start),
        u=0.3, free_u=True,
    )  # fmt: skip
    assert fits.fwhm[0] == pytest.approx(fwhm, rel=5e-3)
    assert (fits.x[0], fits.y[0]) == pytest.approx((150.3, 149.6), abs=0.01)
    assert fits.cxx[0] == pytest.approx(fits.cyy[0], rel=1e-3)
    assert abs(fits.cxy[0]) < 1e-3 * fits.cxx[0]


@pytest.mark.parametrize(
    ("beta", "per_alpha"),
    [
        (1.5, 1.532842),
        (2.0, 1.287189),
        (2.5, 1.130501),
        (3.0, 1.019649),
        (4.0, 0.869959),
        (4.765, 0.791401),
    ],
)
def test_moffat_of_known_alpha(beta: float, per_alpha: float):
    # FWHM = 2α√(2^(1/β) − 1), Moffat 1969, A&A 3, 455; as astropy's Moffat1D.fwhm.
    y, x = np.indices((101, 101), dtype=float)
    alpha = 4.0
    image = 1e4 * (1 + ((x - 50.3) ** 2 + (y - 49.6) ** 2) / alpha**2) ** -beta
    fits = _fit(image, 3.0)
    assert fits.fwhm[0] == pytest.approx(alpha * per_alpha, rel=1e-3)
    assert 1 / fits.u[0] == pytest.approx(beta, rel=5e-3)


def test_moments_are_not_the_width_of_a_moffat_star():
    # α = 3, β = 4: variance α²/(2(β − 2)) = 2.25, so moments would say
    # 2.3548·1.5 = 3.532230; the FWHM is 2.609877 (both derivable).
    y, x = np.indices((101, 101), dtype=float)
    image = 1e4 * (1 + ((x - 50.3) ** 2 + (y - 49.6) ** 2) / 9) ** -4.0
    assert _fit(image, 4.0).fwhm[0] == pytest.approx(2.609877, rel=1e-3)


def test_an_isophote_cuts_moments_short_and_a_fit_does_not():
    # sep on the same pixels, cut at 0.117 of the peak, sees a = 2.569 of 3:
    # σ_seen²/σ² = (1 − (1 + u)e⁻ᵘ)/(1 − e⁻ᵘ), u = −ln 0.117 (derivable).
    sigma = Profile(fwhm=2.3548200450 * np.sqrt(6), axis_ratio=2 / 3, angle_deg=30)
    image = _sampled(sigma)
    (seen,) = sep.extract(image, 0.117 * image.max(), filter_kernel=None, clean=False)
    u = -np.log(0.117)
    share = np.sqrt((1 - (1 + u) * np.exp(-u)) / (1 - np.exp(-u)))
    assert seen["a"] == pytest.approx(3 * share, rel=0.02)
    fits = _fit(image, 5.0)
    # √(2·3)·2.3548; photutils' moment FWHM 2√(ln 2·(a² + b²)) would be 6.003637.
    assert fits.fwhm[0] == pytest.approx(2.3548200450 * np.sqrt(6), rel=2e-3)
    assert eccentricity_of(fits.chi)[0] == pytest.approx(np.sqrt(5) / 3, abs=1e-3)
    assert angle_of(fits.chi)[0] == pytest.approx(30.0, abs=0.1)
    assert fits.minor_fwhm[0] == pytest.approx(2 * 2.3548200450, rel=2e-3)


@pytest.mark.parametrize(("sigma", "variance"), [(1.0, 1.083333), (1.5, 2.333333)])
def test_pixels_widen_the_profile(sigma: float, variance: float):
    # Integration over pixels adds 1/12 px² of variance (Sheppard's correction).
    image = np.zeros((101, 101))
    density = Profile(fwhm=2.3548200450 * sigma).density
    add_star(image, density, x=50.3, y=49.6, flux=1e5, radius=20, fine=15)
    assert (_fit(image, 3.0).fwhm[0] / 2.3548200450) ** 2 == pytest.approx(variance, rel=0.01)


def test_uncertainty_of_the_ellipticity():
    rng = np.random.default_rng(9)
    star = _sampled(Profile(fwhm=4.0, beta=3.0))
    fits = [_fit(star + rng.normal(0, 60, star.shape), 4.0, free_u=False) for _ in range(200)]
    chi = np.array([fit.chi[0] for fit in fits])
    told = np.median([fit.chi_noise[0] for fit in fits])
    assert np.std(chi.real) == pytest.approx(told, rel=0.15)
    assert np.std(chi.imag) == pytest.approx(told, rel=0.15)


def test_undefined_core_is_not_fitted_and_undefined_wing_is_left_out():
    star = _sampled(Profile(fwhm=4.0, beta=3.0))
    star[53, 46:52] = np.nan
    assert _fit(star, 4.0).fwhm[0] == pytest.approx(4.0, rel=1e-3)
    star[50, 51] = np.nan
    assert np.isnan(_fit(star, 4.0).fwhm[0])


@pytest.mark.filterwarnings("error")
def test_nothing_to_fit_gives_nan_quietly():
    flat = np.full((101, 101), 7.0)
    fits = _fit(flat, 4.0)
    assert np.isnan(fits.fwhm[0]) or fits.amplitude[0] < 1e-2
    assert np.isnan(_fit(np.full((101, 101), np.nan), 4.0).chi[0])
