"""What is left of the flat in calibrated lights."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.calibration.flatresidue import flat_residue
from stackbench.calibration.smooth import tile_places

SHAPE = (36, 52)


def _flat(loss=0.3):
    x, y = tile_places(SHAPE)
    return 1.2 * (1 - loss / 2 * ((x - 0.1) ** 2 + y**2))


def _sky(rng, gradient=(0.05, -0.03), noise=0.0005):
    x, y = tile_places(SHAPE)
    return 300 * (1 + gradient[0] * x + gradient[1] * y + rng.normal(0, noise, SHAPE))


@settings(max_examples=30, deadline=None)
@given(st.floats(-0.6, 0.6), st.floats(-0.2, 0.2), st.floats(-0.2, 0.2), st.integers(0, 99))
def test_the_share_left_is_found_whatever_the_sky_does(left, across, down, seed):
    rng = np.random.default_rng(seed)
    flat = _flat()
    shape = flat / np.median(flat) - 1
    background = _sky(rng, (across, down)) + 300 * left * shape
    found = flat_residue(background, flat)
    assert found.share == pytest.approx(left, abs=0.02)


def test_stars_and_a_nebula_do_not_count():
    rng = np.random.default_rng(2)
    background = _sky(rng)
    background[10:16, 20:30] += 40  # a nebula, 3 % of the frame
    background[rng.integers(0, 36, 30), rng.integers(0, 52, 30)] += 100
    found = flat_residue(background, _flat())
    assert found.share == pytest.approx(0, abs=0.01)
    assert found.explained < 0.3


def test_a_level_left_under_the_light_over_corrects():
    # (sky × flat + left) / flat = sky + left/flat, so that share ≈ −left/sky
    rng = np.random.default_rng(3)
    flat = _flat() / np.median(_flat())
    found = flat_residue((_sky(rng) * flat + 60) / flat, flat)
    assert found.share == pytest.approx(-60 / 360, abs=0.03)
    assert found.explained > 0.9
    assert found.error < 0.01
    assert found.swing == pytest.approx(0.3 / 6, abs=0.02)


def test_nothing_to_say():
    assert flat_residue(np.ones(SHAPE), np.ones(SHAPE)) is None  # an even flat
    assert flat_residue(-_flat(), _flat()) is None
    assert flat_residue(np.ones((2, 3)), np.ones((2, 3))) is None
    assert flat_residue(np.full(SHAPE, np.nan), _flat()) is None
