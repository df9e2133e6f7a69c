"""The noise of one image."""

import numpy as np
import pytest

from stackbench.calibration.statistics import clipped_sigma, neighbour_sigma, pair_sigma


def test_sigma_of_whole_adu_with_outliers():
    # Rounding adds 1/12 ADU² to the variance (that of a uniform distribution).
    rng = np.random.default_rng(2)
    values = np.rint(rng.normal(0, 2.5, 200_000)).astype(np.float32)
    values[:400] = 5000
    values[400:500] = np.nan
    assert clipped_sigma(values) == pytest.approx(np.sqrt(2.5**2 + 1 / 12), rel=0.005)


def test_sigma_when_most_values_are_equal():
    assert clipped_sigma(np.full(100, 7, np.float32)) == 0
    assert np.isnan(clipped_sigma(np.full(100, np.nan, np.float32)))
    few = np.zeros(1000, np.float32)
    few[:100] = 1
    assert clipped_sigma(few) == pytest.approx(0.3, rel=0.01)


def test_pair_sigma_cancels_the_fixed_pattern_and_neighbours_the_gradient():
    rng = np.random.default_rng(3)
    pattern = rng.normal(1000, 200, (300, 400))
    first = (pattern + rng.normal(0, 6, pattern.shape)).astype(np.float32)
    second = (pattern + rng.normal(0, 6, pattern.shape)).astype(np.float32)
    assert pair_sigma(first, second) == pytest.approx(6, rel=0.01)
    slope = np.linspace(0, 2000, 400)[None, :] + rng.normal(0, 6, (300, 400))
    slope[:, ::2] += 100
    assert neighbour_sigma(slope.astype(np.float32)) == pytest.approx(6, rel=0.01)
