"""Light leaks and glow in darks."""

import numpy as np
import pytest

from stackbench.calibration.darkshape import dark_shape
from stackbench.calibration.smooth import tile_places

SHAPE = (36, 52)


def _dark(rng):
    return 2.0 + rng.normal(0, 0.1, SHAPE)


def test_an_even_dark_has_no_shape():
    found = dark_shape(_dark(np.random.default_rng(1)))
    assert found.level == pytest.approx(2, abs=0.02)
    assert found.rise < 4 * found.rise_error < 0.2
    # the brightest 1 % of normal values lie at about 2.7 σ
    assert found.glow < 4 * found.glow_error


def test_a_leak_is_a_rise_from_edge_to_edge():
    rng = np.random.default_rng(2)
    x, y = tile_places(SHAPE)
    found = dark_shape(_dark(rng) + 3 * x + 4 * y)
    # at the outer tiles' centres the plane is short of the edges, which rise tells
    assert found.rise == pytest.approx(10, abs=0.1)
    assert found.rise > 50 * found.rise_error


def test_glow_is_local_and_moves_no_plane():
    rng = np.random.default_rng(3)
    x, y = tile_places(SHAPE)
    found = dark_shape(_dark(rng) + 40 * np.exp((x - 1) / 0.15) * np.exp((y - 1) / 0.15))
    assert found.rise < 0.4
    assert found.glow > 10
    assert found.glow_place == "last rows right"
    missing = np.full(SHAPE, np.nan)
    assert dark_shape(missing) is None
