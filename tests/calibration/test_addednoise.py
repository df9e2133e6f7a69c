"""The noise that masters add to a light, predicted and measured on simulated frames."""

import numpy as np
import pytest

from stackbench.calibration.addednoise import influences
from stackbench.calibration.apply import level_under
from stackbench.calibration.masters import make_flat, make_level
from stackbench.calibration.records import Serving, facts_of
from stackbench.frames.records import Kind
from stackbench.rejection.methods import Method, Rejection
from tests.support.calibration import ArrayRows, set_of

SHAPE = (500, 600)
READ, GAIN, BIAS, DARK_E_S = 4.0, 0.8, 500.0, 0.05
MEAN = Rejection(method=Method.NONE)


def _frame(rng, electrons):
    """One frame of a camera, ADU, not rounded."""
    return BIAS + (rng.poisson(electrons, SHAPE) + rng.normal(0, READ, SHAPE)) / GAIN


def _made(kind, frames, *, exposure_s=None, levels=None):
    one = set_of(kind, len(frames), SHAPE, exposure_s=exposure_s)
    sources = [ArrayRows(frame) for frame in frames]
    if kind is Kind.FLAT:
        return one, make_flat(one, sources, levels=levels, rejection=MEAN)
    return one, make_level(one, sources, rejection=MEAN)


def _added(found, masters):
    """Add the masters' parts in quadrature."""
    return np.sqrt(sum((push * masters[one].noise) ** 2 for one, push in found.items()))


@pytest.mark.parametrize("scale", [None, 0.5, 2.0])
def test_the_noise_of_a_dark_and_of_the_bias_inside_it(scale):
    # Var of s d + (1 − s) b for independent masters: s² σ_d² + (1 − s)² σ_b²: derivable.
    rng = np.random.default_rng(11)
    bias_set, bias = _made(Kind.BIAS, [_frame(rng, 0) for _ in range(8)])
    dark_set, dark = _made(Kind.DARK, [_frame(rng, 300 * DARK_E_S) for _ in range(5)])
    serving = Serving(bias=bias_set, dark=dark_set, dark_scale=scale)
    masters = {bias_set: facts_of(bias), dark_set: facts_of(dark)}
    found = influences(serving, masters, signal_adu=100.0)
    level = level_under(bias=bias, dark=dark, dark_scale=scale)
    assert _added(found, masters) == pytest.approx(level.std(dtype=np.float64), rel=0.02)
    assert found[dark_set] == -(scale or 1.0)
    # a bias that could not be made leaves the dark as taken
    assert influences(serving, {dark_set: masters[dark_set]}, signal_adu=1.0) == {dark_set: -1.0}


@pytest.mark.parametrize(("signal_e", "flat_e"), [(2000, 3000), (8000, 6000)])
def test_light_and_flat_that_share_a_bias(signal_e, flat_e):
    # With S = F the bias's error cancels: raw − b over F − b moves by S/F − 1 of it.
    rng = np.random.default_rng(signal_e)
    bias_set, bias = _made(Kind.BIAS, [_frame(rng, 0) for _ in range(2)])
    flats = [_frame(rng, flat_e) for _ in range(6)]
    flat_set, flat = _made(Kind.FLAT, flats, levels=[bias.data] * 6)
    light_serving, flat_serving = Serving(bias=bias_set, flat=flat_set), Serving(bias=bias_set)
    masters = {bias_set: facts_of(bias), flat_set: facts_of(flat)}
    found = influences(
        light_serving,
        masters,
        signal_adu=signal_e / GAIN,
        flat_servings=[flat_serving] * 6,
    )
    assert found[bias_set] == pytest.approx(signal_e / flat_e - 1, rel=0.01)
    noiseless = BIAS + signal_e / GAIN
    calibrated = (noiseless - bias.data.astype(np.float64)) / flat.data
    assert _added(found, masters) == pytest.approx(calibrated.std(), rel=0.02)


def test_flat_noise_grows_with_the_signal():
    # (σ/S)² = 1/S + 1/F: derivable. A light of 10⁴ e⁻ over a master of 20 flats
    # of 3 × 10⁴ e⁻ (no read noise): 0.0100830 against 0.0100000.
    rng = np.random.default_rng(3)
    frames = [rng.poisson(30000, SHAPE).astype(float) for _ in range(20)]
    flat_set, flat = _made(Kind.FLAT, frames)
    masters = {flat_set: facts_of(flat)}
    found = influences(Serving(flat=flat_set), masters, signal_adu=10000.0)
    relative = np.hypot(0.01, _added(found, masters) / 10000)
    assert relative == pytest.approx(0.0100830, abs=2e-6)
    assert influences(Serving(flat=flat_set), {}, signal_adu=10000.0) == {}
