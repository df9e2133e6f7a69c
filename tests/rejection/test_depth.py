import threading
import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.rejection.depth import combine_depth, empty_combined
from stackbench.rejection.methods import Method, Rejection
from tests.support.rejection_reference import combine_pixel

METHODS = [method for method in Method if method is not Method.AUTO]


def cube_of(rng, depth, pixels, *, offset, spread, outliers, gaps, quantised):
    cube = rng.normal(offset, spread, (depth, pixels))
    cube[rng.random(cube.shape) < outliers] += 40 * spread
    if quantised:
        cube = np.round(cube)
    cube[rng.random(cube.shape) < gaps] = np.nan
    return cube.astype(np.float32)


@settings(max_examples=80, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    depth=st.integers(1, 200),
    offset=st.sampled_from([0.0, -3.0, 1200.0, 40_000.0]),
    outliers=st.sampled_from([0.0, 0.03, 0.3]),
    gaps=st.sampled_from([0.0, 0.02, 0.6]),
    quantised=st.booleans(),
    method=st.sampled_from(METHODS),
    low=st.sampled_from([1.5, 2.0, 3.0, 5.0]),
    high=st.sampled_from([2.0, 3.0, 4.0]),
    iterations=st.sampled_from([1, 2, 10]),
    dropped=st.tuples(st.integers(0, 5), st.integers(0, 5)),
    weighted=st.booleans(),
    noise=st.sampled_from([None, "equal", "unequal"]),
)
def test_kernels_agree_with_the_plain_rules(
    seed, depth, offset, outliers, gaps, quantised, method, low, high, iterations, dropped,
    weighted, noise,
):  # fmt: skip
    rng = np.random.default_rng(seed)
    cube = cube_of(
        rng, depth, 8, offset=offset, spread=7.0, outliers=outliers, gaps=gaps, quantised=quantised
    )
    rejection = Rejection(
        method=method, low=low, high=high, iterations=iterations,
        lowest=dropped[0], highest=dropped[1],
    )  # fmt: skip
    weights = rng.uniform(0.1, 2, depth) if weighted else None
    layers = {None: None, "equal": np.full(depth, 6.0), "unequal": rng.uniform(4, 9, depth)}[noise]
    result = combine_depth(cube, rejection=rejection, weights=weights, noise=layers)
    for i in range(cube.shape[1]):
        plain = combine_pixel(cube[:, i], rejection=rejection, weights=weights, noise=layers)
        if plain.margin < 1e-4:
            continue  # so near a limit that float32 may judge otherwise
        counts = (result.kept[i], result.low[i], result.high[i])
        assert counts == (plain.kept, plain.low, plain.high)
        # One rounding of the mean, and that of summed residuals from the median:
        # under a millionth of their spread.
        np.testing.assert_allclose(result.mean[i], plain.mean, rtol=1.2e-7, atol=7e-6)


@pytest.mark.parametrize("method", METHODS)
def test_a_pixel_does_not_depend_on_its_neighbours(method):
    rng = np.random.default_rng(8)
    cube = cube_of(rng, 13, 700, offset=100, spread=5, outliers=0.05, gaps=0.05, quantised=False)
    whole = combine_depth(cube, rejection=Rejection(method=method))
    part = combine_depth(np.ascontiguousarray(cube[:, 301:]), rejection=Rejection(method=method))
    np.testing.assert_array_equal(part.kept, whole.kept[301:])
    np.testing.assert_allclose(part.mean, whole.mean[301:], rtol=1.2e-7)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("depth", [1, 2, 3, 4, 17])
def test_missing_values(method, depth):
    cube = np.full((depth, 300), 50, np.float32)
    cube[:, 7] = np.nan
    cube[0, 9] = np.inf
    cube[depth - 1, 200] = -np.inf
    untouched = cube.copy()
    result = combine_depth(cube, rejection=Rejection(method=method))
    np.testing.assert_array_equal(cube, untouched)
    valid = np.isfinite(cube).sum(axis=0)
    dropped = np.minimum(1, np.maximum(valid - 1, 0) // 2) if method is Method.MIN_MAX else 0
    np.testing.assert_array_equal(result.kept, valid - 2 * dropped)
    np.testing.assert_array_equal(result.low + result.high, valid - result.kept)
    np.testing.assert_array_equal(result.mean, np.where(valid > 0, np.float32(50), np.nan))


def test_two_values_cannot_tell_which_is_wrong():
    cube = np.full((6, 3), np.nan, np.float32)
    cube[1], cube[4] = 10, 5000
    for method in (Method.SIGMA_CLIP, Method.WINSORISED):
        result = combine_depth(cube, rejection=Rejection(method=method), noise=np.ones(6))
        np.testing.assert_array_equal(result.mean, 2505)
        np.testing.assert_array_equal(result.kept, 2)


def test_over_half_the_values_equal():
    # Integer frames of little noise: the MAD is 0, yet neighbouring integers
    # are not outliers, and a hit is.
    column = [100.0] * 9 + [101.0] * 4 + [99.0] * 2 + [30_000.0]
    cube = np.repeat(np.array(column, np.float32)[:, np.newaxis], 200, axis=1)
    result = combine_depth(cube, rejection=Rejection(method=Method.SIGMA_CLIP))
    np.testing.assert_array_equal(result.high, 1)
    np.testing.assert_array_equal(result.low, 0)
    np.testing.assert_allclose(result.mean, np.mean(column[:-1]), rtol=1e-7)


def test_expected_noise_finds_a_faint_outlier_in_five():
    rng = np.random.default_rng(3)
    cube = rng.normal(1000, 4, (5, 20_000)).astype(np.float32)
    cube[2] += 8 * 4
    alone = combine_depth(cube, rejection=Rejection(method=Method.SIGMA_CLIP))
    helped = combine_depth(
        cube, rejection=Rejection(method=Method.SIGMA_CLIP), noise=np.full(5, 4.0)
    )
    assert (alone.high > 0).mean() < 0.5
    assert (helped.high > 0).mean() > 0.99


def test_unequal_noise_gives_each_layer_its_own_limits():
    rng = np.random.default_rng(4)
    noise = np.array([1.0] * 8 + [6.0] * 4)
    cube = rng.normal(100, noise[:, np.newaxis], (12, 40_000)).astype(np.float32)
    told = combine_depth(cube, rejection=Rejection(method=Method.SIGMA_CLIP), noise=noise)
    rejected = 1 - told.kept.mean() / 12
    assert 0.5 < rejected / 0.0027 < 2
    assert told.low.mean() == pytest.approx(told.high.mean(), rel=0.2)


def test_writes_into_what_it_is_given():
    cube = np.arange(12, dtype=np.float32).reshape(4, 3)
    room = empty_combined(3)
    result = combine_depth(cube, rejection=Rejection(method=Method.NONE), into=room)
    assert result is room
    np.testing.assert_array_equal(room.mean, [4.5, 5.5, 6.5])
    assert room.mean.dtype == np.float32
    assert room.kept.dtype == room.low.dtype == room.high.dtype == np.uint16


def test_threads_give_the_serial_result():
    rng = np.random.default_rng(5)
    cubes = [rng.normal(size=(15, 5000)).astype(np.float32) for _ in range(8)]
    rejection = Rejection(method=Method.SIGMA_CLIP)
    serial = [combine_depth(cube, rejection=rejection).mean for cube in cubes]
    results = [empty_combined(5000) for _ in cubes]
    threads = [
        threading.Thread(
            target=combine_depth, args=(cube,), kwargs={"rejection": rejection, "into": room}
        )
        for cube, room in zip(cubes, results, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for room, alone in zip(results, serial, strict=True):
        np.testing.assert_array_equal(room.mean, alone)


GOOD = np.zeros((4, 6), np.float32)


@pytest.mark.parametrize(
    ("cube", "options", "message"),
    [
        (GOOD.astype(np.float64), {}, "C-contiguous float32"),
        (np.zeros((6, 4), np.float32).T, {}, "C-contiguous float32"),
        (GOOD[0], {}, "C-contiguous float32"),
        (GOOD[:0], {}, "depth must be"),
        (GOOD, {"weights": [1, 1, 1]}, "weights must have shape"),
        (GOOD, {"weights": [1, 1, 1, -1]}, "weights must be finite"),
        (GOOD, {"weights": [0, 0, 0, 0]}, "weights must be finite"),
        (GOOD, {"noise": [1, 1, 1, 0]}, "noise must be finite"),
        (GOOD, {"noise": 1.0}, "noise must have shape"),
        (GOOD, {"into": empty_combined(5)}, "into.mean"),
        (GOOD, {"rejection": Rejection()}, "settled"),
    ],
)
def test_wrong_input_is_refused(cube, options, message):
    options = {"rejection": Rejection(method=Method.SIGMA_CLIP)} | options
    with pytest.raises(ValueError, match=message):
        combine_depth(cube, **options)


def test_nothing_warns():
    cube = np.full((5, 200), np.nan, np.float32)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for method in METHODS:
            result = combine_depth(cube, rejection=Rejection(method=method))
            assert np.isnan(result.mean).all()


@pytest.mark.parametrize(
    ("values", "lowest", "highest", "mean", "kept"),
    [((1, 2, 3, 4, 5), 0, 3, 1.5, 2), ((1, 2, 3, 4, np.nan), 1, 2, 2.0, 1)],
)
def test_min_max_drops_as_many_as_was_asked_where_one_is_left(values, lowest, highest, mean, kept):
    cube = np.array(values, dtype=np.float32)[:, np.newaxis]
    asked = Rejection(method=Method.MIN_MAX, lowest=lowest, highest=highest)
    result = combine_depth(cube, rejection=asked)
    assert (result.mean[0], result.kept[0]) == (mean, kept)
