import numpy as np
import pytest
from scipy import integrate, stats

from stackbench.rejection import limits, winsorising


def test_winsorised_factor():
    # Huber's proposal 2: E[min(z², k²)] at k = 1.5 is 0.778465, its factor
    # 1.133393 (derivable; Huber 1964, Ann. Math. Stat. 35, 73).
    variance, _ = integrate.quad(lambda z: min(z * z, 2.25) * stats.norm.pdf(z), -np.inf, np.inf)
    assert variance == pytest.approx(0.778465, abs=1e-6)
    factor = winsorising._TO_SIGMA
    assert factor == pytest.approx(variance**-0.5, rel=1e-6)
    assert factor == pytest.approx(1.133393, abs=1e-6)


@pytest.mark.parametrize(("kappa", "variance"), [(2, 0.773741), (2.5, 0.911256), (3, 0.973337)])
def test_what_a_symmetric_cut_leaves_of_a_gaussian(kappa, variance):
    # 1 - 2kφ(k) / (2Φ(k) - 1), a mathematical fact.
    spread, mean = limits.cut_gaussian(kappa, kappa)
    assert spread**2 == pytest.approx(variance, abs=1e-6)
    assert mean == 0


def test_what_an_unequal_cut_leaves_of_a_gaussian():
    spread, mean = limits.cut_gaussian(2.0, 4.0)
    cut = stats.truncnorm(-2.0, 4.0)
    assert spread == pytest.approx(cut.std(), rel=1e-9)
    assert mean == pytest.approx(cut.mean(), rel=1e-9)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 40])
def test_small_sample_factors_of_the_mad(count):
    # Croux & Rousseeuw 1992 (from memory): the scaled MAD is right on average.
    values = np.random.default_rng(count).normal(size=(count, 200_000))
    mad = np.median(np.abs(values - np.median(values, axis=0)), axis=0)
    assert limits.mad_scales(count)[count] * mad.mean() == pytest.approx(1, abs=0.01)


def test_deep_limits_are_kappa():
    tables = limits.clip_limits(5000, 3.0, 2.0, noise_known=False)
    cut, _ = limits.cut_gaussian(3.0, 2.0)
    at_depth = tables.factors.reshape(-1, 2, 2)[5000]
    np.testing.assert_allclose(at_depth, [[3 / cut, 2 / cut]] * 2, rtol=2e-3)


def test_a_lone_outlier_is_judged_alike_inside_and_outside_the_mean():
    # The farthest of n values in units of the spread that includes it (left)
    # and of the spread of the others (right): both tests must agree.
    values = np.array([-1.2, -0.4, 0.1, 0.5, 1.0, 0.0])
    tables = limits.clip_limits(6, 3.0, 3.0, noise_known=False).factors.reshape(-1, 2, 2)
    for outlier in np.linspace(2, 12, 200):
        values[-1] = outlier
        others = values[:-1]
        inside = (outlier - values.mean()) / values.std(ddof=1) > tables[6, 1, 1]
        outside = (outlier - others.mean()) / others.std(ddof=1) > tables[5, 0, 1]
        assert inside == outside
