"""Slopes against time or temperature."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import linregress

from stackbench.calibration.trends import trend


def test_as_scipy_has_it():
    rng = np.random.default_rng(1)
    hours = np.sort(rng.uniform(0, 8, 12))
    levels = 500 + 0.4 * hours + rng.normal(0, 0.3, 12)
    found, judge = trend(hours, levels), linregress(hours, levels)
    assert found.slope == pytest.approx(judge.slope, rel=1e-9)
    assert found.error == pytest.approx(judge.stderr, rel=1e-9)
    assert found.change == pytest.approx(judge.slope * np.ptp(hours), rel=1e-9)
    assert found.significance == pytest.approx(abs(judge.slope) / judge.stderr, rel=1e-9)


@given(st.floats(-5, 5), st.floats(-1000, 1000))
def test_a_line_is_its_own_trend(slope, level):
    found = trend([0, 1, 2, 5], [level + slope * x for x in (0, 1, 2, 5)])
    assert found.slope == pytest.approx(slope, abs=1e-9)


def test_what_tells_no_trend():
    assert trend([0, 1], [1, 2]) is None
    assert trend([3, 3, 3], [1, 2, 3]) is None
    assert trend([0, 1, 2], [1, math.nan, 2]) is None
    assert trend([0, 1, 2], [4, 4, 4]).significance == 0
    assert trend([0, 1, 2], [1, 2, 3], value_error=0.5).error == pytest.approx(0.5 / math.sqrt(2))
