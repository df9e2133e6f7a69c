"""Centroid errors against published formulas and a simulation."""

import numpy as np
import pytest

from stackbench.registration.precision import centroid_errors

SIGMA, PHOTONS = 1.5, 4000.0
RECORDED_FWHM = float(np.sqrt(8 * np.log(2) * (SIGMA**2 + 1 / 12)))


def test_photon_and_background_terms():
    # Thompson, Larson & Webb 2002, Biophys. J. 82, 2775, from memory: σ = 1.5 px,
    # N = 4000 e, background 4 e per pixel: 0.02666 px.
    found = centroid_errors(
        [PHOTONS], fwhm_px=RECORDED_FWHM, noise_adu=4.0, gain_e_per_adu=1.0, floor_px=0.0
    )
    assert found[0] == pytest.approx(0.02666, abs=1e-5)


def test_background_limit_is_root_two_sigma_over_snr():
    # Same source, from memory: √2 σ / SNR with the SNR of the optimally
    # weighted flux; background 40 e per pixel: 0.1149 px, simulated 0.1170 px.
    found = centroid_errors([PHOTONS], fwhm_px=RECORDED_FWHM, noise_adu=40.0, floor_px=0.0)[0]
    snr = PHOTONS / (40.0 * np.sqrt(4 * np.pi) * SIGMA)
    assert found == pytest.approx(np.sqrt(2) * SIGMA / snr, rel=1e-9)
    assert found == pytest.approx(0.1149, rel=0.02)


def test_centroid_simulation_agrees():
    # Template fits of stars in white noise: the linearised least-squares shift.
    rng = np.random.default_rng(1)
    y, x = np.mgrid[-10:11, -10:11]
    star = PHOTONS * np.exp(-(x**2 + y**2) / (2 * SIGMA**2)) / (2 * np.pi * SIGMA**2)
    slope = star * x / SIGMA**2
    noise = rng.normal(0, 40.0, (4000, *star.shape))
    shifts = (noise * slope).sum(axis=(1, 2)) / (slope**2).sum()
    found = centroid_errors([PHOTONS], fwhm_px=RECORDED_FWHM, noise_adu=40.0, floor_px=0.0)[0]
    assert np.std(shifts) == pytest.approx(found, rel=0.04)


def test_floor_and_unknown_fluxes():
    found = centroid_errors([1e12, 0.0, -3.0, np.nan], fwhm_px=3.0, noise_adu=10.0)
    assert found[0] == pytest.approx(0.02)
    assert np.isnan(found[1:]).all()
    with pytest.raises(ValueError, match="above 0"):
        centroid_errors([1.0], fwhm_px=0.0, noise_adu=1.0)
