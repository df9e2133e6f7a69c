"""Seeing and airmass against worked examples; sampling on invented nights."""

import numpy as np
import pytest

from stackbench.review.seeing import (
    airmass_at,
    fried_length_cm,
    seeing_at,
    seeing_findings,
    zenith_seeing,
)
from tests.support.observed import SCALE, observed_night, stripped


@pytest.mark.parametrize(("airmass", "seeing"), [(1.2, 2.2312), (1.5, 2.5508), (2.0, 3.0314)])
def test_seeing_goes_with_airmass_to_the_power_of_six_tenths(airmass, seeing):
    # Kolmogorov turbulence, Fried 1966 (exponent from memory); numbers derived
    assert seeing_at(airmass, zenith=2.0) == pytest.approx(seeing, abs=1e-4)


def test_seeing_of_cells_of_ten_centimetres():
    # FWHM = 0.98 λ/r₀: 1.0107″ at 500 nm and 10 cm (Fried 1966; factor from memory)
    assert fried_length_cm(1.0107) == pytest.approx(10.0, abs=1e-3)
    # r₀ goes with λ^(6/5), so that FWHM goes with λ^(−1/5): 0.94888 of it at 650 nm
    red = fried_length_cm(1.0107 * 0.94888, wavelength_nm=650.0)
    assert red == pytest.approx(10.0 * 1.3**1.2, abs=1e-3)


@pytest.mark.parametrize(
    ("altitude", "airmass", "tolerance"),
    # Kasten & Young 1989, Appl. Opt. 28, 4735, eq. 3
    [
        (90, 0.9997, 5e-4),
        (60, 1.1540, 5e-4),
        (45, 1.4126, 5e-4),
        (30, 1.9943, 5e-4),
        (20, 2.9031, 5e-4),
        (15, 3.8129, 5e-4),
        (10, 5.5860, 5e-4),
        (5, 10.3058, 5e-4),
        (2, 19.433, 5e-3),
        (1, 26.311, 5e-3),
        (0, 37.920, 5e-3),
    ],
)
def test_airmass_down_to_the_horizon(altitude, airmass, tolerance):
    assert airmass_at(altitude) == pytest.approx(airmass, abs=tolerance)
    with pytest.raises(ValueError, match="below the horizon"):
        airmass_at(-1)


def test_seeing_at_the_zenith_is_that_of_the_night():
    night = observed_night(np.random.default_rng(1), filters=("L",))
    seeing, scatter = zenith_seeing(night)
    assert seeing == pytest.approx(3.0 * SCALE, rel=0.08)
    assert scatter < 0.5
    assert zenith_seeing(stripped(night)) is None


def test_a_target_that_sinks_low_is_told_with_the_power():
    night = observed_night(
        np.random.default_rng(2), dec_deg=10.0, start_hour_angle_deg=-10.0, hours=5.5
    )
    (found,) = seeing_findings(night)
    assert found.cause == "low altitude"
    assert found.figures[0].value == pytest.approx(0.6, abs=0.15)


@pytest.mark.parametrize(
    ("fwhm_px", "causes"),
    # two to three px per FWHM are common practice, no source
    # 2.0501 px: 3″ at 1.463313″ a pixel
    [
        (1.5, ["coarse sampling"]),
        (3.0 / 1.463313, []),
        (2.2, []),
        (4.0, []),
        (6.0, ["fine sampling"]),
    ],
)
def test_pixels_coarse_or_fine_for_the_sharpness_are_told(fwhm_px, causes):
    night = observed_night(np.random.default_rng(3), fwhm_px=fwhm_px, hours=2.0)
    assert [one.cause for one in seeing_findings(night)] == causes


@pytest.mark.parametrize("seed", range(20))
def test_a_quiet_night_says_nothing(seed):
    night = observed_night(np.random.default_rng(6000 + seed))
    assert seeing_findings(night) == []
