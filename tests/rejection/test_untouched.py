"""Columns that are averaged at once get what the full way would give them."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.rejection import depth as combining
from stackbench.rejection.depth import combine_depth
from stackbench.rejection.methods import Method, Rejection
from stackbench.rejection.untouched import NO_BOUNDS

CLIPS = [Method.SIGMA_CLIP, Method.WINSORISED]


def combine_in_full(cube, **options):
    """Combine with every column taking the full way."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(combining, "_bounds", lambda *_: NO_BOUNDS)
        combining._plan.cache_clear()
        result = combine_depth(cube, **options)
    combining._plan.cache_clear()
    return result


def agree(cube, **options):
    """Compare both ways; return the result."""
    short, full = combine_depth(cube, **options), combine_in_full(cube, **options)
    np.testing.assert_array_equal(short.kept, full.kept)
    np.testing.assert_array_equal(short.low, full.low)
    np.testing.assert_array_equal(short.high, full.high)
    # Both sum small residuals in float32, or values in float64: they differ by
    # one rounding of the mean, and by under a millionth of the noise.
    scale = float(np.max(options["noise"]))
    np.testing.assert_allclose(short.mean, full.mean, rtol=1.2e-7, atol=1e-6 * scale)
    return short


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    depth=st.integers(1, 200),
    level=st.sampled_from([0.0, -3.0, 1200.0, 60_000.0]),
    scatter=st.sampled_from([0.05, 0.5, 0.8, 1.0, 1.3]),
    skewed=st.booleans(),
    outliers=st.sampled_from([0.0, 0.01, 0.2]),
    gaps=st.sampled_from([0.0, 0.01, 0.6]),
    quantised=st.booleans(),
    method=st.sampled_from(CLIPS),
    low=st.sampled_from([1.5, 3.0, 5.0]),
    high=st.sampled_from([2.5, 3.0, 4.0]),
    iterations=st.sampled_from([1, 2, 10]),
    weighted=st.booleans(),
    unequal=st.booleans(),
)
def test_both_ways_agree(
    seed, depth, level, scatter, skewed, outliers, gaps, quantised, method, low, high,
    iterations, weighted, unequal,
):  # fmt: skip
    rng = np.random.default_rng(seed)
    noise = rng.uniform(4, 9, depth) if unequal else np.full(depth, 6.0)
    cube = rng.standard_normal((depth, 300))
    if skewed:  # far means from medians
        cube = rng.exponential(1.5, cube.shape) - 1.5
    cube = level + cube * noise[:, np.newaxis] * scatter
    cube[rng.random(cube.shape) < outliers] += 5 * noise.max()
    if quantised:
        cube = np.round(cube)
    cube[rng.random(cube.shape) < gaps] = rng.choice([np.nan, np.inf, -np.inf])
    agree(
        cube.astype(np.float32),
        rejection=Rejection(method=method, low=low, high=high, iterations=iterations),
        weights=rng.uniform(0, 2, depth) if weighted else None,
        noise=noise,
    )


@pytest.mark.parametrize("method", CLIPS)
@pytest.mark.parametrize("depth", [3, 4, 5, 8, 15])
def test_both_ways_agree_however_two_groups_lie(method, depth):
    # Some values at 0, the others a little or far away: the median jumps from
    # one group to the other, and the groups may reject each other, or not.
    share = np.arange(1, depth)
    distance = np.linspace(0, 12, 400)
    cube = (np.arange(depth)[:, np.newaxis] < np.repeat(share, 400)) * np.tile(distance, depth - 1)
    result = agree(
        (1000 + cube).astype(np.float32), rejection=Rejection(method=method), noise=np.ones(depth)
    )
    assert (result.kept == depth).any()
    assert (result.kept < depth).any()


@pytest.mark.parametrize("method", CLIPS)
def test_a_column_does_not_depend_on_who_is_put_aside_with_it(method):
    rng = np.random.default_rng(1)
    cube = rng.normal(100, 5, (11, 1000)).astype(np.float32)
    cube[3, ::2] += 400  # every second is put aside: several blocks of them
    cube[4, 500:] = np.nan
    options = {"rejection": Rejection(method=method), "noise": np.full(11, 5.0)}
    whole = agree(cube, **options)
    part = combine_depth(np.ascontiguousarray(cube[:, 301:777]), **options)
    np.testing.assert_array_equal(part.kept, whole.kept[301:777])
    np.testing.assert_allclose(part.mean, whole.mean[301:777], rtol=1.2e-7)


def test_most_columns_of_a_good_night_take_the_short_way():
    # Else it would only cost time; measured by what the full way is handed.
    rng = np.random.default_rng(2)
    cube = rng.normal(500, 10, (16, 20_000)).astype(np.float32)
    plan = combining._plan(
        16, Rejection(method=Method.SIGMA_CLIP), b"", np.full(16, 10.0).tobytes()
    )
    short = count_short(cube, plan)
    assert short > 0.88 * cube.shape[1]


def count_short(cube, plan):
    """Count the columns whose result needs no clip, by the rule written plainly."""
    _, bounds, _ = plan
    layers = bounds.layers.astype(int)
    values = cube[layers].astype(np.float64)
    least = (values - bounds.above[:, np.newaxis]).max(axis=0)
    most = (values + bounds.below[:, np.newaxis]).min(axis=0)
    centre = (bounds.central[:, np.newaxis] * values).sum(axis=0)
    half = len(cube) / 2
    held = (least <= centre) & (centre <= most)
    held &= ((values < least).sum(axis=0) < half) & ((values > most).sum(axis=0) < half)
    return held.sum()
