"""How long to expose and how many hours more, against worked examples."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackbench.review.planning import (
    FilterDepth,
    advise,
    more_hours,
    noise_against_one_exposure,
    read_noise_share,
    shortest_sub_s,
    signal_to_noise,
)


@pytest.mark.parametrize(
    ("read_noise_e", "share", "seconds"),
    # noise model: starrywonders.com/snr.html; the numbers follow from it
    [(3.5, 0.05, 239.0244), (1.5, 0.05, 43.9024), (1.5, 0.10, 21.4286)],
)
def test_the_sub_length_at_which_read_noise_adds_a_share(read_noise_e, share, seconds):
    found = shortest_sub_s(read_noise_e=read_noise_e, sky_e_s=0.5, share=share)
    assert found == pytest.approx(seconds, abs=1e-4)
    assert read_noise_share(read_noise_e=read_noise_e, sky_e_s=0.5, sub_s=found) == pytest.approx(
        share, rel=1e-12
    )


@pytest.mark.parametrize(
    ("share", "factor"), [(0.05, 9.756098), (0.1, 4.761905), (0.02, 24.752475)]
)
def test_the_factors_of_common_shares(share, factor):
    # 1 / ((1 + p)² − 1), derived
    found = shortest_sub_s(read_noise_e=1.0, sky_e_s=1.0, share=share)
    assert found == pytest.approx(factor, abs=1e-6)


def test_the_sub_length_under_a_dark_sky():
    # 995.5 photons/s/cm²/Å at V = 0 (Bessell 1979, PASP 91, 589; from memory), through an
    # aperture of 10 cm, 850 Å, six in ten counted: zero point 19.00175 mag; derived from it,
    # 21 mag per square arcsecond on pixels of 1.463313″ are 0.339919 e⁻/s
    zero_point = 2.5 * math.log10(995.5 * math.pi / 4 * 10**2 * 850 * 0.6)
    sky_e_s = 10 ** (-0.4 * (21 - zero_point)) * 1.463313**2
    assert zero_point == pytest.approx(19.00175, abs=1e-5)
    assert sky_e_s == pytest.approx(0.339919, rel=1e-5)
    found = shortest_sub_s(read_noise_e=3.5, sky_e_s=sky_e_s, share=0.05)
    assert found == pytest.approx(239.0244 * 0.5 / 0.339919, rel=1e-5)


@pytest.mark.parametrize(("sub_s", "ratio"), [(30, 1.34669), (120, 1.09641), (300, 1.03915)])
def test_a_stack_of_subs_against_one_long_exposure(sub_s, ratio):
    # √((B T + (T/t) R²) / (B T + R²)), derived
    found = noise_against_one_exposure(read_noise_e=3.5, sky_e_s=0.5, sub_s=sub_s, total_s=4 * 3600)
    assert found == pytest.approx(ratio, abs=1e-5)


def test_a_stack_of_subs_is_as_noisy_as_the_formula_says():
    rng = np.random.default_rng(5)
    pixels, subs = 40_000, 16
    stack = rng.poisson(0.5 * 60, (subs, pixels)).sum(axis=0) + rng.normal(
        0, 3.5, (subs, pixels)
    ).sum(axis=0)
    single = rng.poisson(0.5 * 60 * subs, pixels) + rng.normal(0, 3.5, pixels)
    expected = noise_against_one_exposure(
        read_noise_e=3.5, sky_e_s=0.5, sub_s=60, total_s=60 * subs
    )
    assert stack.std() / single.std() == pytest.approx(expected, rel=0.02)


@given(hours=st.floats(0.1, 100), gain=st.floats(1, 10))
def test_noise_falls_with_the_square_root_of_the_time(hours, gain):
    total = hours + more_hours(hours, gain=gain)
    assert math.sqrt(total / hours) == pytest.approx(gain, rel=1e-9)


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan")])
def test_what_cannot_be_is_refused(bad):
    with pytest.raises(ValueError, match="above 0"):
        shortest_sub_s(read_noise_e=3.0, sky_e_s=bad)
    with pytest.raises(ValueError, match="at least 1"):
        more_hours(2.0, gain=0.5)


def depth(name, noise_adu, **facts):
    defaults = {"subs": 20, "exposure_s": 7200.0, "sub_s": 360.0}
    camera = {"gain_e_per_adu": 0.8, "read_noise_e": 3.5, "sky_adu": 225.0}
    return FilterDepth(filter=name, noise_adu=noise_adu, **(defaults | camera | facts))


def test_the_noisier_filter_is_told_how_many_hours_bring_it_level():
    quiet, noisy = advise([depth("L", 2.0), depth("Ha", 4.0)])
    assert quiet.balance_hours == 0.0
    # twice the noise: four times the time, three times two hours more
    assert noisy.balance_hours == pytest.approx(6.0)
    assert noisy.more_hours == pytest.approx(2.0)  # by √2
    assert quiet.sky_e_s == pytest.approx(0.5)
    assert quiet.shortest_sub_s == pytest.approx(239.0244, abs=1e-4)
    assert quiet.read_share == pytest.approx(math.sqrt(1 + 3.5**2 / 180) - 1)


def test_longer_subs_are_worth_what_two_stacks_differ_by():
    (one,) = advise([depth("L", 2.0, sub_s=30.0, sky_adu=18.75, exposure_s=4 * 3600.0)])
    assert one.shortest_sub_s == pytest.approx(239.0244, abs=1e-4)
    # 1.34669 for subs of 30 s (see above), 1.05 / √(1 + R²/(B T)) for the longer ones
    then = 1.05 / math.sqrt(1 + 3.5**2 / 7200)
    assert one.longer_gain == pytest.approx(1 - then / 1.34669, abs=1e-4)
    (long_enough,) = advise([depth("L", 2.0)])
    assert long_enough.longer_gain == 0.0


def test_what_is_not_known_is_not_told():
    (one,) = advise([depth("L", 2.0, gain_e_per_adu=None, read_noise_e=None)])
    assert (one.noise_e_s, one.sky_e_s, one.shortest_sub_s, one.read_share) == (None,) * 4
    assert one.longer_gain is None
    assert one.balance_hours is None
    assert one.star_snr is None
    assert one.more_hours == pytest.approx(2.0)


def test_the_signal_to_noise_ratio_of_a_star():
    # CCD equation, short form S/√(S + n σ²): 5000 e⁻ a sub on 20 subs, half of it in the
    # circle of one FWHM's diameter, π/4 × 3² pixels of 2 ADU
    (one,) = advise([depth("L", 2.0, star_adu=6250.0, fwhm_px=3.0)])
    light, pixels, noise = 2500.0 * 20, math.pi / 4 * 9, 2.0 * 0.8 * 20
    assert one.star_snr == pytest.approx(light / math.sqrt(light + pixels * noise**2), rel=1e-9)


def test_a_wide_filter_with_a_bright_sky_is_not_called_noisy_for_its_sky():
    wide = depth("L", 8.0, star_adu=60000.0, fwhm_px=3.0)
    narrow = depth("Ha", 2.0, star_adu=6000.0, fwhm_px=3.0)
    one, other = advise([wide, narrow])
    assert one.star_snr > other.star_snr
    assert one.balance_hours == 0.0
    assert other.balance_hours == pytest.approx(2 * ((one.star_snr / other.star_snr) ** 2 - 1))


def test_the_ccd_equation_in_its_long_form():
    # Merline & Howell 1995, Exp. Astron. 6, 163 (long form from memory): S = 10000 e⁻,
    # n = 50, n_B = 400, sky 72 e⁻, dark 0.6 e⁻, R = 3.5 e⁻, g = 0.8 → 82.2667 (derived)
    variance = 72 + 0.6 + 3.5**2 + (0.8 * 0.289) ** 2
    found = signal_to_noise(10_000, pixels=50, sky_pixels=400, variance_e2=variance)
    assert found == pytest.approx(82.2667, abs=1e-3)


def test_the_ccd_equation_on_howells_own_example():
    # Howell 2006, Handbook of CCD Astronomy, 2nd ed., section 4.4 (inputs and "342" from
    # memory): 24013 ADU of 5 e⁻, sky 620 ADU, dark 22 e⁻ an hour for 300 s, R = 5 e⁻
    star, variance = 24013 * 5, 620 * 5 + 22 * 300 / 3600 + 5**2 + (5 * 0.289) ** 2
    found = signal_to_noise(star, pixels=1, sky_pixels=200, variance_e2=variance)
    assert found == pytest.approx(342.05, abs=0.5)
    assert math.sqrt(star) == pytest.approx(346.50, abs=0.01)


def test_subs_of_several_lengths_count_by_their_time():
    # one sub of 300 s and ten of 60 s on the scale of the long one: three times its light
    (one,) = advise(
        [depth("L", 2.0, star_adu=6250.0, fwhm_px=3.0, subs=11, sub_s=300.0, exposure_s=900.0)]
    )
    light, pixels, noise = 2500.0 * 3, math.pi / 4 * 9, 2.0 * 0.8 * 3
    assert one.star_snr == pytest.approx(light / math.sqrt(light + pixels * noise**2), rel=1e-9)
