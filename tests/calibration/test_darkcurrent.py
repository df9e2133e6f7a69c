"""Dark current and its growth with temperature."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackbench.calibration.darkcurrent import DarkRate, dark_map, dark_rate, doubling_step

_BOLTZMANN_EV = 8.617333262e-5


def _rates(law, temperatures):
    return [DarkRate(rate=law(t), error=0.0, temperature_c=t) for t in temperatures]


@pytest.mark.parametrize(("celsius", "step"), [(-10.0, 6.77), (20.0, 8.33)])
def test_doubling_step_of_the_textbook_law(celsius, step):
    # T^1.5 exp(−E_g/2kT), E_g = 1.1557 − 7.021e-4 T²/(1108 + T) eV: Janesick 2001,
    # Scientific Charge-Coupled Devices (from memory).
    def law(t):
        kelvin = t + 273.15
        gap = 1.1557 - 7.021e-4 * kelvin**2 / (1108 + kelvin)
        return 1e9 * kelvin**1.5 * math.exp(-gap / (2 * _BOLTZMANN_EV * kelvin))

    # the way from there to where it is twice as much
    found = doubling_step(_rates(law, (celsius, celsius + step)))
    assert found.step_c == pytest.approx(step, abs=0.01)


@pytest.mark.parametrize(
    ("energy_ev", "kelvin", "step"),
    [(0.56, 263.15, 7.60), (0.56, 293.15, 9.46), (1.12, 263.15, 3.75), (1.12, 293.15, 4.66)],
)
def test_doubling_step_of_arrhenius(energy_ev, kelvin, step):
    # exp(−E/kT); band gap when warm, half of it when cold: Widenhorn et al. 2002,
    # Proc. SPIE 4669.
    def law(t):
        return 1e12 * math.exp(-energy_ev / (_BOLTZMANN_EV * (t + 273.15)))

    start = kelvin - 273.15
    found = doubling_step(_rates(law, (start, start + step)))
    assert found.step_c == pytest.approx(step, abs=0.01)


@given(st.floats(3, 12), st.floats(0.001, 10), st.integers(2, 5))
def test_any_constant_step_is_found(step, rate, count):
    # D(T) = D₀ 2^((T − T₀)/step); which step holds differs from camera to camera
    found = doubling_step(
        _rates(lambda t: rate * 2 ** (t / step), [-20 + 5 * i for i in range(count)])
    )
    assert found.step_c == pytest.approx(step, rel=1e-6)


def test_what_does_not_tell_a_step():
    assert doubling_step([]) is None
    assert doubling_step(_rates(lambda t: 2**t, (-10.0, -9.0))) is None
    assert doubling_step(_rates(lambda t: 2**-t, (-10.0, 0.0))) is None
    lost = [DarkRate(rate=0.01, error=0.02, temperature_c=t) for t in (-10.0, 0.0, 10.0)]
    assert doubling_step(lost) is None


def test_dark_rate_is_not_coarse_though_pixels_are_whole_adu():
    # six darks and six bias frames of whole ADU: their means differ by sixths
    rng = np.random.default_rng(5)
    shape, true = (240, 320), 1.55

    def master(level):
        frames = [np.rint(500 + level + rng.normal(0, 4.4, shape)) for _ in range(6)]
        return np.mean(frames, axis=0).astype(np.float32)

    dark = master(true)
    dark.reshape(-1)[rng.integers(0, dark.size, 60)] += 3000
    dark[100:110] = np.nan
    found = dark_rate(dark_map(dark, master(0)), exposure_s=60, temperature_c=-10)
    assert found.rate == pytest.approx(true / 60, rel=0.03)
    assert abs(found.rate - true / 60) < 4 * found.error


def test_nothing_can_be_told_of_an_empty_dark():
    empty = np.full((80, 80), np.nan, dtype=np.float32)
    assert dark_rate(dark_map(empty, empty), exposure_s=60) is None
    full = np.zeros((80, 80), dtype=np.float32)
    assert dark_rate(dark_map(full, full), exposure_s=0) is None
    wandering = dark_rate(dark_map(full, full), exposure_s=10, level_error_adu=0.5)
    assert wandering.error == pytest.approx(0.05)
