"""What is left of Gaussian noise after a clip, and how much goes."""

import math

import numpy as np
import pytest
from astropy.stats import sigma_clip
from scipy.special import erfc
from scipy.stats import norm

from stackbench.rejection.depth import combine_depth
from stackbench.rejection.methods import Method, Rejection

DEPTH = 200


@pytest.fixture(scope="module")
def noise():
    return np.random.default_rng(52).normal(0, 1, (DEPTH, 4000)).astype(np.float32)


def variance_left(cube, result):
    """Mean over the columns of the variance (ddof 1) of the values that are left."""
    ordered = np.sort(cube, axis=0).astype(np.float64)
    rank = np.arange(len(cube))[:, np.newaxis]
    left = (rank >= result.low) & (rank < len(cube) - result.high)
    count = left.sum(axis=0)
    mean = (ordered * left).sum(axis=0) / count
    return ((((ordered - mean) * left) ** 2).sum(axis=0) / (count - 1)).mean()


@pytest.mark.parametrize("method", [Method.SIGMA_CLIP, Method.WINSORISED])
@pytest.mark.parametrize(("kappa", "left"), [(2, 0.773741), (2.5, 0.911256), (3, 0.973337)])
def test_variance_that_a_clip_leaves(noise, method, kappa, left):
    # 1 − 2kφ(k)/(2Φ(k) − 1) after one symmetric clip: derivable.
    assert left == pytest.approx(
        1 - 2 * kappa * norm.pdf(kappa) / (2 * norm.cdf(kappa) - 1), abs=1e-6
    )
    rejection = Rejection(method=method, low=kappa, high=kappa)
    result = combine_depth(noise, rejection=rejection)
    assert variance_left(noise, result) == pytest.approx(left, rel=0.02)
    given_up = 1 - result.kept.mean() / DEPTH
    assert given_up == pytest.approx(erfc(kappa / math.sqrt(2)), rel=0.12)


def test_iterations_do_not_eat_into_good_values(noise):
    # Repeated to convergence, a clip that takes the spread of what is left for σ
    # gives up 14.6646 % at 2 σ (derivable; astropy.stats.sigma_clip does so).
    naive = sigma_clip(noise[:, :300], sigma=2, maxiters=None, axis=0).mask.mean()
    assert naive == pytest.approx(0.146646, rel=0.1)
    rejection = Rejection(method=Method.SIGMA_CLIP, low=2, high=2, iterations=20)
    result = combine_depth(noise, rejection=rejection)
    assert 1 - result.kept.mean() / DEPTH < 1.1 * erfc(math.sqrt(2))


def test_winsorising_is_made_good_for():
    # At ±1.5 σ the winsorised variance of Gaussian noise is 0.778465, its factor
    # 1.133393 (derivable; Huber 1964, Ann. Math. Stat. 35, 73): without it a clip
    # at 2.5 σ would lie at 2.2058 σ and give up 2.7 % instead of 1.24 %.
    cube = np.random.default_rng(56).normal(500, 9, (DEPTH, 4000)).astype(np.float32)
    rejection = Rejection(method=Method.WINSORISED, low=2.5, high=2.5)
    given_up = 1 - combine_depth(cube, rejection=rejection).kept.mean() / DEPTH
    assert given_up == pytest.approx(0.01241933, rel=0.12)
    assert erfc(2.5 / 1.133393 / math.sqrt(2)) > 0.0273
