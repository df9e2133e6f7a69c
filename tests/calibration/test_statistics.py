"""Robust numbers of one image."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stackbench.calibration.statistics import (
    MAD_TO_SIGMA,
    clipped_sigma,
    exact_median,
    neighbour_sigma,
    pair_sigma,
)


@settings(deadline=None)  # the first call compiles
@given(arrays(np.float32, st.integers(1, 60), elements=st.floats(width=32, allow_infinity=False)))
def test_median_is_that_of_numpy(values):
    defined = values[~np.isnan(values)].astype(np.float64)
    found = exact_median(values)
    if defined.size == 0:
        assert np.isnan(found)
    else:
        assert found == np.median(defined)


def test_median_of_an_image_with_gaps():
    rng = np.random.default_rng(1)
    image = rng.normal(0, 5, (90, 70)).astype(np.float32)
    image[rng.random(image.shape) < 0.1] = np.nan
    assert exact_median(image[:, 3:]) == np.nanmedian(image[:, 3:].astype(np.float64))


def test_mad_factor():
    # 1 / Φ⁻¹(3/4), a mathematical fact.
    assert pytest.approx(1.4826022185, abs=1e-10) == MAD_TO_SIGMA


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
