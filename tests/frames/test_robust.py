"""Median and scaled MAD, against numpy and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats

from stackbench.frames.robust import MAD_TO_SIGMA, mad_sigma, median


@given(arrays(np.float32, st.integers(1, 60), elements=st.floats(width=32, allow_infinity=False)))
def test_median_is_that_of_numpy(values):
    defined = values[~np.isnan(values)].astype(np.float64)
    found = median(values)
    if defined.size == 0:
        assert np.isnan(found)
    else:
        assert found == np.median(defined)


def test_median_of_an_image_with_gaps():
    rng = np.random.default_rng(1)
    image = rng.normal(0, 5, (90, 70)).astype(np.float32)
    image[rng.random(image.shape) < 0.1] = np.nan
    assert median(image[:, 3:]) == np.nanmedian(image[:, 3:].astype(np.float64))


@pytest.mark.parametrize("count", [1 << 22, (1 << 22) + 61])
@pytest.mark.parametrize("gaps", [0.0, 0.3, 1 - 1e-5, 1.0])
def test_median_of_many_values_is_that_of_numpy(count, gaps):
    # from 4 Mi on only what a sample says to be near the middle is ordered
    rng = np.random.default_rng(3)
    gap = rng.random(count) < gaps
    kinds = {
        "noise": rng.normal(1000, 20, count),
        "whole numbers": np.round(rng.normal(1000, 2, count)),
        "one value": np.full(count, 7.0),
        "two values": rng.permutation(np.arange(count) % 2),
        "in step with the sample": np.where(np.arange(count) % 61 == 0, 5.0, rng.random(count)),
        "half of it infinite": np.where(np.arange(count) % 2, np.inf, rng.random(count)),
    }
    for kind, values in kinds.items():
        image = np.where(gap, np.nan, values).astype(np.float32)
        defined = image[~np.isnan(image)].astype(np.float64)
        wanted = np.median(defined) if defined.size else np.nan
        np.testing.assert_array_equal(median(image), wanted, err_msg=kind)


def test_median_of_whole_numbers_leaves_them_as_they_are():
    values = np.array([[5, 1], [9, 2]])
    assert median(values) == 3.5
    assert values.tolist() == [[5, 1], [9, 2]]


def test_mad_factor():
    # 1 / Φ⁻¹(3/4), a mathematical fact.
    assert pytest.approx(1 / stats.norm.ppf(0.75), rel=1e-10) == MAD_TO_SIGMA
    assert pytest.approx(1.4826022185, abs=1e-10) == MAD_TO_SIGMA


@given(arrays(np.float64, st.integers(1, 60), elements=st.floats(-1e6, 1e6)))
def test_mad_is_that_of_scipy(values):
    wanted = stats.median_abs_deviation(values, scale="normal")
    assert mad_sigma(values, median(values)) == pytest.approx(wanted, rel=1e-12)


def test_nothing_defined_has_no_middle():
    nothing = np.full(3, np.nan, np.float32)
    assert np.isnan(median(nothing))
    assert np.isnan(mad_sigma(nothing, 0.0))
    assert np.isnan(median(nothing[:0]))
