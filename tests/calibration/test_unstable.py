"""Pixels that vary between the darks of a set."""

import numpy as np
import pytest

from stackbench.calibration.combine import combine_rows
from stackbench.calibration.masters import make_level
from stackbench.calibration.unstable import Steadiness
from stackbench.frames.records import Kind
from stackbench.rejection.methods import Rejection
from tests.support.calibration import ArrayRows, set_of

SHAPE = (300, 400)
NOISE = 5.0


def _darks(rng, depth, *, drift=0.0):
    """Darks with 20 pixels that switch between two levels, and 200 hits of cosmic rays."""
    places = rng.choice(SHAPE[0] * SHAPE[1], 220, replace=False)
    cube = 500 + rng.normal(0, NOISE, (depth, SHAPE[0] * SHAPE[1]))
    cube += drift * np.arange(depth)[:, None]
    cube[::2, places[:20]] += 60.0  # σ about 31 ADU
    cube[rng.integers(0, depth, 200), places[20:]] += rng.uniform(50, 5000, 200)
    return cube.reshape(depth, *SHAPE).astype(np.float32), sorted(places[:20].tolist())


@pytest.mark.parametrize("depth", [5, 8, 15])
def test_switching_pixels_are_unstable_and_single_hits_are_not(depth):
    cube, switching = _darks(np.random.default_rng(depth), depth)
    steadiness = Steadiness(noise_adu=NOISE, levels_adu=np.full(depth, 500, np.float32))
    found = steadiness.unstable(cube.reshape(depth, -1))
    assert found.tolist() == switching


def test_noise_alone_and_a_drifting_level_make_no_pixel_unstable():
    rng = np.random.default_rng(1)
    levels = np.float32(500) + np.arange(6, dtype=np.float32) * 8
    cube = levels[:, None] + rng.normal(0, NOISE, (6, 400_000)).astype(np.float32)
    assert Steadiness(noise_adu=NOISE, levels_adu=levels).unstable(cube).size == 0
    cube[2, 7] = np.nan
    assert Steadiness(noise_adu=NOISE, levels_adu=levels).unstable(cube).size == 0


def test_bands_and_threads_find_the_same():
    cube, switching = _darks(np.random.default_rng(3), 6)
    sources = [ArrayRows(plane) for plane in cube]
    steadiness = Steadiness(noise_adu=NOISE, levels_adu=np.full(6, 500, np.float32))
    for options in ({}, {"band_rows": 7, "jobs": 2}):
        combined = combine_rows(sources, rejection=Rejection(), steadiness=steadiness, **options)
        assert combined.unstable.tolist() == switching
    assert combine_rows(sources, rejection=Rejection()).unstable.size == 0


def test_a_master_dark_lists_them_and_a_master_bias_does_not():
    cube, switching = _darks(np.random.default_rng(4), 8)
    sources = [ArrayRows(plane) for plane in cube]
    dark = make_level(set_of(Kind.DARK, 8, SHAPE), sources, rejection=Rejection())
    # a mean 30 ADU up is below the limit of a hot pixel, 8 σ of a single dark
    assert dark.bad.places.tolist() == switching
    assert dark.defects.unstable == 20
    bias = make_level(set_of(Kind.BIAS, 8, SHAPE), sources, rejection=Rejection())
    assert bias.bad is None
    assert bias.defects is None
