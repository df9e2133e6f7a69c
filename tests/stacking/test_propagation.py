import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from stackbench.stacking.propagation import make_sums, noise_of_mean


@settings(max_examples=30, deadline=None)
@given(depth=st.integers(1, 200), missing=st.floats(0, 1), seed=st.integers(0, 2**32 - 1))
def test_agrees_with_a_plain_evaluation(depth, missing, seed):
    rng = np.random.default_rng(seed)
    n = 3000
    cube = rng.normal(0, 1, (depth, n)).astype(np.float32)
    gaps = rng.random(depth) < 0.7
    cube[(rng.random(cube.shape) < missing) & gaps[:, None]] = np.nan
    weights, noise = rng.uniform(0.1, 3, (2, depth)).astype(np.float32)
    there = np.isfinite(cube)
    found = there.sum(axis=0)
    low = rng.integers(0, found // 3 + 1).astype(np.uint16)
    high = rng.integers(0, found // 3 + 1).astype(np.uint16)
    kept = (found - low - high).astype(np.uint16)
    out = np.empty(n, dtype=np.float32)
    noise_of_mean(cube, ~gaps, weights, noise, kept, low, high, make_sums(), out)
    w, sigma = weights.astype(np.float64)[:, None], noise.astype(np.float64)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = found / kept
        plain = np.sqrt((there * (w * sigma) ** 2).sum(axis=0) * share) / (there * w).sum(axis=0)
    plain[kept == 0] = np.nan
    assert_allclose(out, plain, rtol=3e-5)
