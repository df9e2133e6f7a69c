"""The noise that masters bring into a stack, predicted and measured."""

import numpy as np
import pytest

from stackbench.rejection.methods import Method, Rejection
from stackbench.stacking.budget import SubNoise, noise_budget, sensor_overlaps
from stackbench.stacking.engine import stack_subs
from stackbench.stacking.prediction import predict_noise
from stackbench.stacking.records import StackInput
from tests.support.calibration import ArrayRows

SHAPE = (360, 400)
OWN, MASTER = 6.0, 4.0


def _shifts(dither, count, rng):
    if dither == "none":
        return np.zeros((count, 2))
    if dither == "drift":  # the mount drifts by 0.4 px from sub to sub
        return np.outer(np.arange(count), [0.4, 0.1])
    return rng.uniform(-12, 12, (count, 2))


def _inputs(dither, *, count=9):
    rng = np.random.default_rng(len(dither))
    master = rng.normal(0, MASTER, SHAPE)
    sigma = np.hypot(OWN, MASTER)
    inputs = []
    for x, y in _shifts(dither, count, rng):
        matrix = np.array([[1, 0, x], [0, 1, y], [0, 0, 1]], dtype=float)
        image = 1000 + rng.normal(0, OWN, SHAPE) - master
        inputs.append(
            StackInput(source=ArrayRows(image), matrix=matrix, noise_adu=sigma, weight=1 / count)
        )
    return inputs


def _budget(inputs, push):
    subs = [
        SubNoise(
            noise_adu=one.noise_adu,
            weight=one.weight,
            scale=one.scale,
            read_adu=OWN / 2,
            pushes={0: push},
        )
        for one in inputs
    ]
    return noise_budget(subs, sensor_overlaps([one.matrix for one in inputs], SHAPE))


@pytest.mark.parametrize("dither", ["none", "drift", "well dithered"])
def test_the_noise_of_a_stack_of_subs_that_share_a_master(dither):
    inputs = _inputs(dither)
    budget = _budget(inputs, MASTER)
    plain = predict_noise(inputs, SHAPE)
    stack = stack_subs(inputs, grid_shape=SHAPE, rejection=Rejection(method=Method.NONE))
    inner = stack.data[20:-20, 20:-20].astype(np.float64)
    assert plain.pixel_adu * budget.growth == pytest.approx(inner.std(), rel=0.03)
    if dither == "none":  # √(σ²/n + m²): derivable
        assert budget.total == pytest.approx(OWN**2 / 9 + MASTER**2)
        assert inner.std() > 1.8 * plain.pixel_adu
    if dither == "well dithered":  # √((σ² + m²)/n): derivable
        assert budget.growth == pytest.approx(1, abs=0.02)


def test_parts_add_up_and_more_frames_help_by_as_much_as_they_say():
    budget = _budget(_inputs("none"), MASTER)
    assert budget.own == pytest.approx(OWN**2 / 9)
    assert budget.read == pytest.approx((OWN / 2) ** 2 / 9)
    assert budget.total == pytest.approx(budget.own + budget.masters[0])
    # twice the frames halve the master's variance
    better = OWN**2 / 9 + MASTER**2 / 2
    gain = budget.gain_of_more(0, frames=10, more=10)
    assert 1 - gain == pytest.approx(np.sqrt(better / budget.total))
    dithered = (OWN**2 + MASTER**2) / 9
    assert 1 - budget.gain_of_dithering == pytest.approx(np.sqrt(dithered / budget.total))


def test_a_master_worse_than_the_subs_seem_leaves_them_no_noise_of_their_own():
    budget = _budget(_inputs("none"), 100.0)
    assert budget.own == 0
    assert budget.total == pytest.approx(100.0**2)


def test_a_flipped_sub_shares_nothing_worth_mention():
    turn = np.array([[-1, 0, SHAPE[1] - 1], [0, -1, SHAPE[0] - 1], [0, 0, 1]], dtype=float)
    overlaps = sensor_overlaps([np.eye(3), np.eye(3), turn], SHAPE)
    assert overlaps[0, 1] == pytest.approx(1)
    # only the very middle lies on itself: a place or two of thousands
    assert overlaps[0, 2] < 0.001
    np.testing.assert_array_equal(overlaps, overlaps.T)
