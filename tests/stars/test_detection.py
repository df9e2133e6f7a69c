"""Peaks: every star found once, at the scale of the frame, and nothing sharper."""

import numpy as np
import pytest

from stackbench.stars.background import measure_background
from stackbench.stars.detection import (
    LEAST_FWHM_PX,
    Peaks,
    find_peaks,
    sharpest_flatness,
)
from stackbench.stars.levels import maxima
from tests.support.starpainter import Profile, paint_field


def _peaks(image: np.ndarray, saturated: np.ndarray | None = None) -> Peaks:
    return find_peaks(image, measure_background(image), saturated=saturated)


@pytest.mark.parametrize(("fwhm", "level"), [(2.0, 1), (3.5, 1), (8.0, 2), (16.0, 3)])
def test_every_star_once(fwhm: float, level: int):
    rng = np.random.default_rng(11)
    density = Profile(fwhm=fwhm).density
    field = paint_field(
        density, rng=rng, fwhm=fwhm, count=40, shape=(900, 900), radius=3 * fwhm, apart=4 * fwhm
    )
    peaks = _peaks(field.image)
    assert peaks.level == level
    assert len(peaks) == 40
    apart = np.hypot(peaks.x[:, None] - field.x, peaks.y[:, None] - field.y)
    assert apart.min(axis=0).max() < 0.5 * fwhm + 0.5
    assert (np.diff(peaks.snr) <= 0).all()


def test_noise_alone_has_no_peaks():
    image = np.random.default_rng(12).normal(100, 8, (1000, 1000)).astype(np.float32)
    assert len(_peaks(image)) <= 1  # 6σ: one in 10⁹ places


def test_hot_pixels_and_tracks_are_sharper_than_any_star():
    rng = np.random.default_rng(13)
    image = rng.normal(100, 8, (600, 600))
    places = rng.integers(20, 580, (200, 2))
    image[places[:, 0], places[:, 1]] += rng.uniform(300, 9000, 200)
    for _ in range(50):
        x, y, length = *rng.integers(20, 500, 2), rng.integers(3, 20)
        image[y, x : x + length] += 900
    assert len(_peaks(image.astype(np.float32))) <= 4  # a few touch each other


def test_a_trail_is_no_chain_of_stars():
    rng = np.random.default_rng(14)
    y, x = np.indices((900, 900), dtype=float)
    aside = (x - 450) * np.sin(0.4) - (y - 430) * np.cos(0.4)
    image = rng.normal(100, 8, x.shape) + 400 * np.exp(-4 * np.log(2) * (aside / 3.5) ** 2)
    assert len(_peaks(image.astype(np.float32))) <= 3


def test_saturated_and_undefined_places_are_left_out():
    rng = np.random.default_rng(15)
    field = paint_field(Profile(fwhm=3).density, rng=rng, fwhm=3, count=30)
    brightest = int(np.argmax(field.flux))
    x, y = field.x[brightest], field.y[brightest]
    saturated = np.zeros(field.image.shape, bool)
    saturated[round(y), round(x)] = True
    kept = _peaks(field.image, saturated)
    assert len(kept) == 29
    assert np.hypot(kept.x - x, kept.y - y).min() > 3
    image = field.image.copy()
    image[round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3] = np.nan
    kept = _peaks(image)
    assert len(kept) <= 33  # what is left of its wings may count, not its middle
    assert np.hypot(kept.x - x, kept.y - y).min() > 1


def test_flatness_of_the_narrowest_star():
    # A Gaussian of FWHM F falls to 2^(−4/F²) one pixel from its centre (derivable).
    assert sharpest_flatness(2.0) == pytest.approx(0.5)
    assert sharpest_flatness(LEAST_FWHM_PX) == pytest.approx(2 ** (-4 / LEAST_FWHM_PX**2))


def test_a_maximum_beside_an_infinite_value_has_no_place_on_that_axis():
    level = np.zeros((12, 12), np.float32)
    level[6, 5:7] = 100, 90
    x, y, _ = maxima(level, 1, 5.0)
    assert (x[0], y[0]) == (pytest.approx(10.5 + 0.9, abs=0.4), pytest.approx(12.5))
    level[6, 7] = -np.inf
    x, y, _ = maxima(level, 1, 5.0)
    assert np.isnan(x[0])
    assert y[0] == pytest.approx(12.5)
