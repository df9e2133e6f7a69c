import numpy as np
import pytest
from numpy.testing import assert_allclose

from stackbench.registration.lanczos import (
    lanczos,
    noise_factor,
    phase_table,
    strip_table,
    tap_weights,
)


def test_values_of_the_kernel():
    # Duchon 1979, J. Appl. Meteor. 18, 1016; Turkowski 1990, Graphics Gems
    # (both from memory); the numbers follow from sinc(x) sinc(x / 3).
    assert_allclose(lanczos([0.5, 1.5, 2.5]), [0.607927, -0.135095, 0.024317], atol=1e-6)
    assert_allclose(lanczos([0, 1, 2, 3, 3.5]), [1, 0, 0, 0, 0], atol=1e-15)


@pytest.mark.parametrize(("phase", "total"), [(0.5, 0.994299), (0.25, 0.996972)])
def test_weights_must_be_normalised(phase, total):
    # Derivable: Σ L(d − k) over six pixels is not 1.
    raw = lanczos(phase - np.arange(-2, 4))
    assert raw.sum() == pytest.approx(total, abs=1e-6)
    assert_allclose(tap_weights(phase, slopes=False), raw / total, atol=1e-6)


def test_noise_after_a_shift():
    # Derivable: σ after / before is √Σw² per axis, so Σw² for both axes alike.
    assert noise_factor(0.5) ** 2 == pytest.approx(0.785769, abs=1e-6)
    assert noise_factor(0.25, slopes=False) ** 2 == pytest.approx(0.893833, abs=1e-6)
    phases = (np.arange(1024) + 0.5) / 1024
    mean = (noise_factor(phases, slopes=False) ** 2).mean()
    assert mean == pytest.approx(0.893370, abs=1e-6)
    # The correction of the centre of mass costs next to nothing.
    assert noise_factor(0.25) ** 2 == pytest.approx(0.8938, abs=0.004)
    assert (noise_factor(phases) ** 2).mean() == pytest.approx(0.8934, abs=0.004)


@pytest.mark.parametrize("taps", [6, 7])
def test_constants_and_slopes_are_exact(taps):
    phases = np.linspace(0, taps - 5 - 1e-9, 57)
    weights = tap_weights(phases, taps)
    assert_allclose(weights.sum(axis=1), 1, atol=1e-14)
    assert_allclose((weights * np.arange(-2, taps - 2)).sum(axis=1), phases, atol=1e-13)


def test_tables_hold_the_weights():
    table = phase_table()
    assert_allclose(table[16 + 256, :6], tap_weights(0.25), atol=1e-7)
    assert (table[:, 6:] == 0).all()


@pytest.mark.parametrize("slope", [0.03, -0.03, 6e-4, -0.06])
def test_strips_hold_the_weights_of_a_drifting_phase(slope):
    strips = strip_table(slope)
    fine, taps, length = strips.shape
    assert taps == 7
    assert abs(slope) / fine <= 1 / 1024
    assert length * abs(slope) >= 2
    origin = 0.0 if slope > 0 else 2.0
    m, j = fine - 1, length // 3
    assert_allclose(strips[m, :, j], tap_weights(origin + slope * (j + m / fine), 7), atol=1e-7)
