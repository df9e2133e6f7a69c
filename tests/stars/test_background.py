"""The background mesh against known skies and against independent code."""

import numpy as np
import pytest
import sep
from photutils.background import Background2D, MedianBackground

from stackbench.stars.background import background_at, background_image, measure_background
from tests.support.starpainter import Profile, paint_field


def _sloped(rng: np.random.Generator, *, noise: float = 12.0) -> tuple[np.ndarray, np.ndarray]:
    y, x = np.indices((400, 512), dtype=float)
    sky = 900 + 0.2 * x + 0.1 * y + 40 * np.sin(x / 150)
    return (sky + rng.normal(0, noise, sky.shape)).astype(np.float32), sky


def test_follows_a_slope_and_knows_the_noise():
    image, sky = _sloped(np.random.default_rng(1))
    mesh = measure_background(image)
    assert np.abs(background_image(mesh) - sky).max() < 5  # 12 ADU noise, 2048 pixels a box
    assert np.median(mesh.noise) == pytest.approx(12.0, rel=0.01)
    # A slope of 13 ADU over a box adds to a plain standard deviation, not to this.
    assert np.median(mesh.noise) < image[:64, :64].std()


def test_agrees_with_photutils_and_sep_among_stars():
    # photutils.Background2D and sep.Background: separate code, same boxes.
    rng = np.random.default_rng(2)
    field = paint_field(Profile(fwhm=3, beta=3).density, rng=rng, fwhm=3, count=120, apart=10)
    mesh = measure_background(field.image)
    other = Background2D(field.image, 64, bkg_estimator=MedianBackground())
    third = sep.Background(field.image)
    assert np.median(mesh.sky) == pytest.approx(800.0, abs=0.5)
    assert np.median(mesh.sky) == pytest.approx(other.background_median, abs=1.0)
    assert np.median(mesh.sky) == pytest.approx(third.globalback, abs=1.0)
    # A star in every 2000 pixels: a little of their wings counts as noise.
    assert np.median(mesh.noise) == pytest.approx(10.0, rel=0.03)
    assert np.median(mesh.noise) == pytest.approx(third.globalrms, rel=0.03)


def test_undefined_pixels_are_left_out_and_empty_boxes_filled():
    image, sky = _sloped(np.random.default_rng(3))
    image[:, :70] = np.nan
    image[::3, ::2] = np.nan
    mesh = measure_background(image)
    assert np.isfinite(mesh.sky).all()
    assert np.isfinite(mesh.noise).all()
    assert np.abs(background_image(mesh) - sky)[:, 128:].max() < 6


def test_whole_frame_undefined_gives_nan():
    mesh = measure_background(np.full((100, 100), np.nan, np.float32))
    assert np.isnan(mesh.sky).all()
    assert np.isnan(mesh.noise).all()


def test_a_bright_star_does_not_lift_its_box():
    rng = np.random.default_rng(4)
    image = rng.normal(500, 5, (320, 320)).astype(np.float32)
    image[150:175, 150:175] += 20000
    assert np.abs(measure_background(image).sky - 500).max() < 1


def test_coarsely_quantised_pixels_keep_their_noise():
    image = np.round(np.random.default_rng(5).normal(100, 0.4, (256, 256))).astype(np.float32)
    # The clip at 3σ falls between two of the few values there are: 10 % are lost.
    assert np.median(measure_background(image).noise) == pytest.approx(image.std(), rel=0.12)


@pytest.mark.parametrize("sigma", [0.22, 0.25, 0.28])
def test_pixels_coarser_than_their_noise_keep_some(sigma):
    image = np.round(np.random.default_rng(6).normal(100, sigma, (256, 256))).astype(np.float32)
    assert np.median(measure_background(image).noise) == pytest.approx(image.std(), rel=0.3)


def test_places_rows_and_whole_image_agree():
    image, _ = _sloped(np.random.default_rng(6))
    mesh = measure_background(image)
    whole = background_image(mesh)
    np.testing.assert_array_equal(background_image(mesh, rows=(37, 90)), whole[37:90])
    x, y = np.array([0.0, 100.0, 511.0]), np.array([0.0, 250.0, 399.0])
    sky, _ = background_at(mesh, x, y)
    np.testing.assert_allclose(sky, whole[y.astype(int), x.astype(int)], rtol=1e-6)


def test_the_image_is_not_modified():
    image, _ = _sloped(np.random.default_rng(7))
    before = image.copy()
    measure_background(image)
    np.testing.assert_array_equal(image, before)
