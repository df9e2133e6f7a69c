"""Combination against published values, mathematics and other libraries."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from astropy.nddata import CCDData
from astropy.stats import mad_std, sigma_clip
from ccdproc import Combiner, combine
from scipy.special import erfc

from stackbench.rejection.depth import combine_depth
from stackbench.rejection.methods import Method, Rejection

NIST = json.loads((Path(__file__).parent / "nist_univariate.json").read_text(encoding="utf-8"))
CLIPS = [Method.SIGMA_CLIP, Method.WINSORISED]
SIGMA_CLIP = Rejection(method=Method.SIGMA_CLIP)


def column(values):
    return np.repeat(np.asarray(values, np.float32)[:, np.newaxis], 3, axis=1)


def noise_of(image):
    return float(image.std(dtype=np.float64))


def evenly_spread(rng, depth, pixels):
    levels = np.repeat(np.linspace(90, 110, depth, dtype=np.float32)[:, np.newaxis], pixels, axis=1)
    return rng.permuted(levels, axis=0)


# --- what a clip gives up and what it finds ------------------------------------


@pytest.mark.parametrize("noise_known", [False, True])
@pytest.mark.parametrize("method", CLIPS)
@pytest.mark.parametrize("depth", [4, 5, 6, 7, 8, 9, 10, 12, 16, 24, 32, 50, 100, 200])
def test_share_of_good_values_given_up(depth, method, noise_known):
    # erfc(κ/√2) = 0.002699796 at κ = 3, a mathematical fact; within a factor 2
    # at every depth, where 3 scaled MADs alone would give up over 10 % of five.
    rng = np.random.default_rng(depth)
    cube = rng.normal(1000, 10, (depth, 600_000 // depth)).astype(np.float32)
    noise = np.full(depth, 10.0) if noise_known else None
    result = combine_depth(cube, rejection=Rejection(method=method), noise=noise)
    share = 1 - result.kept.mean() / depth
    assert 0.5 < share / erfc(3 / math.sqrt(2)) < 2


@pytest.mark.parametrize(
    ("kappa", "share"), [(1.5, 0.1336144), (2, 0.0455003), (2.5, 0.01241933), (3.5, 4.652582e-4)]
)
def test_share_given_up_at_other_kappas(kappa, share):
    cube = np.random.default_rng(2).normal(0, 1, (50, 40_000)).astype(np.float32)
    rejection = Rejection(method=Method.SIGMA_CLIP, low=kappa, high=kappa)
    result = combine_depth(cube, rejection=rejection)
    assert 1 - result.kept.mean() / 50 == pytest.approx(share, rel=0.25)


def test_a_clip_about_the_mean_would_keep_this_outlier():
    # Samuelson 1968; Shiffler 1988, Am. Stat. 42, 79 (from memory): no value of
    # n lies over (n - 1)/√n standard deviations (ddof 1) from the mean: 2.846050
    # for ten, so that mean ± 3 s rejects nothing.
    values = [100, 101, 99, 102, 98, 100, 101, 99, 100, 400]
    z = (400 - np.mean(values)) / np.std(values, ddof=1)
    assert z == pytest.approx(2.845839, abs=1e-6)
    assert z < 9 / math.sqrt(10) == pytest.approx(2.846050, abs=1e-6)
    assert not sigma_clip(values, sigma=3, cenfunc="mean", stdfunc="std").mask.any()
    for method in CLIPS:
        result = combine_depth(column(values), rejection=Rejection(method=method))
        np.testing.assert_array_equal(result.mean, 100)
        np.testing.assert_array_equal(result.high, 1)


@pytest.mark.parametrize("method", CLIPS)
@pytest.mark.parametrize("depth", range(4, 12))
def test_one_strong_outlier_is_found_at_every_depth(depth, method):
    rng = np.random.default_rng(depth)
    cube = rng.normal(1000, 10, (depth, 2000)).astype(np.float32)
    cube[depth // 2] += 20_000
    result = combine_depth(cube, rejection=Rejection(method=method))
    assert (result.high >= 1).mean() > 0.999
    assert abs(result.mean - 1000).max() < 40


@pytest.mark.parametrize("method", CLIPS)
def test_two_trails_over_one_pixel_do_not_hide_each_other(method):
    rng = np.random.default_rng(1)
    cube = rng.normal(1000, 10, (10, 20_000)).astype(np.float32)
    cube[3] += 400
    cube[8] += 900
    result = combine_depth(cube, rejection=Rejection(method=method), noise=np.full(10, 10.0))
    assert (result.high >= 2).mean() > 0.999


def test_clip_agrees_with_astropy_where_the_rules_coincide():
    # Evenly spread values and outliers far off: every sound rule agrees. The
    # library's scale has no small-sample factor, so its limit must be wider.
    rng = np.random.default_rng(12)
    cube = evenly_spread(rng, 16, 3000)
    cube[rng.random(cube.shape) < 0.05] += 3000
    cube[rng.random(cube.shape) < 0.03] -= 2000
    expected = sigma_clip(
        cube.astype(np.float64), sigma=12, cenfunc="median", stdfunc="mad_std", axis=0
    )
    result = combine_depth(cube, rejection=SIGMA_CLIP)
    np.testing.assert_array_equal(result.kept, (~expected.mask).sum(axis=0))
    np.testing.assert_allclose(result.mean, expected.mean(axis=0), rtol=1.2e-7)


def test_agrees_with_ccdproc_on_the_same_cube():
    rng = np.random.default_rng(13)
    cube = evenly_spread(rng, 11, 600).reshape(11, 20, 30)
    cube[rng.random(cube.shape) < 0.03] += 3000
    flat = cube.reshape(11, -1)
    frames = [CCDData(layer.astype(np.float64), unit="adu") for layer in cube]
    clipped = combine(
        frames,
        method="average",
        sigma_clip=True,
        sigma_clip_low_thresh=15,
        sigma_clip_high_thresh=15,
        sigma_clip_func=np.ma.median,
        sigma_clip_dev_func=mad_std,
    )
    trimmed = Combiner(frames)
    trimmed.clip_extrema(nlow=1, nhigh=2)
    for rejection, expected in (
        (SIGMA_CLIP, clipped),
        (Rejection(method=Method.MIN_MAX, lowest=1, highest=2), trimmed.average_combine()),
        (Rejection(method=Method.MEDIAN), combine(frames, method="median")),
        (Rejection(method=Method.NONE), combine(frames, method="average")),
    ):
        result = combine_depth(flat, rejection=rejection)
        np.testing.assert_allclose(result.mean, np.ravel(expected.data), rtol=1.2e-7)


# --- means and weights -----------------------------------------------------------


def test_trimmed_mean():
    # Tukey & McLaughlin 1963; Yuen 1974 (from memory); the example is arithmetic.
    values = [2, 3, 4, 5, 6, 7, 8, 9, 10, 100]
    result = combine_depth(column(values), rejection=Rejection(method=Method.MIN_MAX))
    np.testing.assert_array_equal(result.mean, 6.5)
    np.testing.assert_array_equal(result.kept, 8)


@pytest.mark.parametrize("method", [Method.NONE, Method.SIGMA_CLIP, Method.WINSORISED])
def test_inverse_variance_mean(method):
    # Gauss-Markov: weights 1/σ², noise of the mean 1/√Σw.
    sigma = np.array([10.0, 12.0, 20.0])
    result = combine_depth(
        column([100, 103, 90]),
        rejection=Rejection(method=method),
        weights=sigma**-2,
        noise=sigma,
    )
    np.testing.assert_allclose(result.mean, 99.785714, rtol=1e-7)


def test_frames_through_thin_cloud():
    # w ∝ s²/σ² for transparency s (Gauss-Markov); 7.273930 against 8.539126.
    rng = np.random.default_rng(6)
    transparency = np.array([1.0, 0.8, 0.5])[:, np.newaxis]
    scaled = (rng.normal(0, 10, (3, 200_000)) / transparency).astype(np.float32)
    plain = Rejection(method=Method.NONE)
    best = combine_depth(scaled, rejection=plain, weights=transparency[:, 0] ** 2).mean
    assert noise_of(best) == pytest.approx(7.273930, rel=0.01)
    assert noise_of(combine_depth(scaled, rejection=plain).mean) == pytest.approx(
        8.539126, rel=0.01
    )


@pytest.mark.parametrize("method", [Method.NONE, Method.SIGMA_CLIP, Method.WINSORISED])
def test_noise_falls_with_the_square_root_of_the_depth(method):
    # σ/√N: sixteen frames give four times the signal to noise.
    cube = np.random.default_rng(7).normal(500, 10, (16, 40_000)).astype(np.float32)
    result = combine_depth(cube, rejection=Rejection(method=method))
    assert 10 / noise_of(result.mean) == pytest.approx(4, rel=0.02)


def test_subtracting_a_master():
    # A frame less the mean of N like it: noise × √(1 + 1/N), 1.048809 for ten.
    rng = np.random.default_rng(9)
    master = combine_depth(
        rng.normal(300, 7, (10, 100_000)).astype(np.float32), rejection=SIGMA_CLIP
    )
    frame = rng.normal(300, 7, 100_000) - master.mean
    assert noise_of(frame) / 7 == pytest.approx(1.048809, rel=0.01)


@pytest.mark.parametrize(("depth", "variance"), [(3, 1.34601), (9, 1.49491), (21, 1.53845)])
def test_noise_of_the_median(depth, variance):
    # n Var(median) of Gaussian noise: order statistics (Kendall & Stuart); for
    # nine frames √1.49491 = 1.22267 times the noise of the mean.
    cube = np.random.default_rng(depth).normal(0, 1, (depth, 200_000)).astype(np.float32)
    median = combine_depth(cube, rejection=Rejection(method=Method.MEDIAN)).mean
    assert noise_of(median) * math.sqrt(depth) == pytest.approx(math.sqrt(variance), rel=0.01)


# --- digits ----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["lew", "lottery", "mavro", "michelso"])
@pytest.mark.parametrize("method", [Method.NONE, Method.SIGMA_CLIP, Method.WINSORISED])
def test_certified_means(name, method):
    # NIST StRD, univariate summary statistics. With κ = 10 nothing goes.
    values = np.array(NIST["data"][name])
    certified, _ = NIST["certified"][name]
    rejection = Rejection(method=method, low=10, high=10)
    result = combine_depth(column(values), rejection=rejection)
    np.testing.assert_array_equal(result.kept, values.size)
    np.testing.assert_allclose(result.mean, certified, rtol=1.3e-7)


@pytest.mark.parametrize("base", [1.0, 1e6, 1e7])
@pytest.mark.parametrize("method", [Method.NONE, Method.SIGMA_CLIP, Method.WINSORISED])
def test_no_digit_is_lost_in_deep_sums(base, method):
    # NIST StRD NumAcc2, 3 and 4: base + 0.2, then 500 × (base + 0.1, base + 0.3).
    # What float32 input can hold of them must come out to the last bit.
    values = np.array([base + 0.2] + [base + 0.1, base + 0.3] * 500).astype(np.float32)
    result = combine_depth(column(values), rejection=Rejection(method=method))
    np.testing.assert_array_equal(result.kept, 1001)
    exact = values.astype(np.float64).mean()
    np.testing.assert_allclose(result.mean, exact, rtol=1.2e-7)
    if base == 1.0:
        np.testing.assert_allclose(result.mean, 1.2, rtol=1.2e-7)


def test_three_large_neighbours():
    # NIST StRD NumAcc1: mean 10000002, exact.
    cube = column([10000001, 10000003, 10000002])
    for method in (Method.NONE, Method.MEDIAN, Method.MIN_MAX, Method.SIGMA_CLIP):
        result = combine_depth(cube, rejection=Rejection(method=method))
        np.testing.assert_array_equal(result.mean, 10000002)
