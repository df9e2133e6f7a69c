"""Robust typical values and relative limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stackbench.review.typical import BadSide, RelativeLimit, relative_limit, spread, typical

VALUES = st.lists(st.floats(0.1, 1e4), min_size=1, max_size=60)


@given(VALUES)
def test_spread_agrees_with_scipy(values):
    # scipy.stats.median_abs_deviation(scale="normal"): separate code; the
    # factor 1/Φ⁻¹(0.75) = 1.4826022185 follows from the normal distribution.
    expected = stats.median_abs_deviation(values, scale="normal")
    assert spread(values) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(VALUES)
def test_typical_is_a_quantile_from_the_good_end(values):
    # numpy.quantile, linear interpolation: separate code.
    assert typical(values, bad=BadSide.ABOVE) == pytest.approx(np.quantile(values, 1 / 3))
    assert typical(values, bad=BadSide.BELOW) == pytest.approx(np.quantile(values, 2 / 3))


def test_typical_is_not_pulled_by_four_bad_values_in_ten():
    good = [3.0, 3.1, 2.9, 3.05, 2.95, 3.0]
    assert 2.9 <= typical([*good, 9.0, 10.0, 11.0, 12.0], bad=BadSide.ABOVE) <= 3.1


@given(VALUES, st.floats(1, 5), st.floats(1, 2), st.floats(0, 2))
def test_limit_stays_between_its_ends(values, factor, tightest, slack):
    limit = RelativeLimit(factor=factor, tightest=tightest, loosest=tightest + slack)
    placed = relative_limit(values, limit, bad=BadSide.ABOVE)
    centre = typical(values, bad=BadSide.ABOVE)
    assert tightest * centre <= placed <= (tightest + slack) * centre


def test_limit_below_is_typical_less_factor_times_spread():
    values = [0.8, 0.9, 1.0, 1.1, 1.2]
    limit = RelativeLimit(factor=2.0, tightest=1.0, loosest=0.1)
    # Upper third: 1.0 + 2/3 × 0.1; MAD 0.1.
    expected = 1.0 + 0.2 / 3 - 2 * 0.1 * 1.4826022185
    assert relative_limit(values, limit, bad=BadSide.BELOW) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("factor", "tightest", "loosest"),
    [(0.0, 1.3, 1.4), (3.0, 1.4, 1.3), (3.0, 0.6, 0.7), (3.0, 0.9, 1.2), (3.0, 0.5, -0.1)],
)
def test_senseless_limits_are_refused(factor, tightest, loosest):
    with pytest.raises(ValueError, match="relative limit"):
        RelativeLimit(factor=factor, tightest=tightest, loosest=loosest)
