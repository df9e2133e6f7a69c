"""Scales and stretches."""

import numpy as np
import pytest

from stackbench.export.levels import (
    Scale,
    as_uint16,
    asinh_stretch,
    common_scale,
    picture_scale,
    shown,
    sky_level,
)


def _field(rng: np.random.Generator, *, sky: float, noise: float) -> np.ndarray:
    image = rng.normal(sky, noise, (400, 500)).astype(np.float32)
    for x, y in rng.integers(10, 390, (60, 2)):
        image[y - 2 : y + 3, x - 2 : x + 3] += rng.exponential(5000)
    image[7, 9] = np.nan
    return image


def test_asinh_has_the_published_values() -> None:
    # y = asinh(x/a)/asinh(1/a), a = 0.1: astropy.visualization.AsinhStretch (published source code)
    x = np.array([0, 0.01, 0.1, 0.5, 1])
    expected = [0, 0.03329775, 0.29396533, 0.77126964, 1]
    np.testing.assert_allclose(asinh_stretch(x, softness=0.1), expected, atol=1e-8)
    assert asinh_stretch(np.array([0.21271901]), softness=0.1)[0] == pytest.approx(0.5, abs=1e-7)


def test_asinh_agrees_with_astropy() -> None:
    from astropy.visualization import AsinhStretch

    x = np.linspace(0, 1, 101)
    np.testing.assert_allclose(asinh_stretch(x, softness=0.02), AsinhStretch(0.02)(x), atol=1e-12)


def test_sixteen_bits_are_rounded() -> None:
    # round(65535 clip((x − b)/(w − b), 0, 1)), half up or half even alike here (derived)
    image = np.array([[0, 0.25, 0.5, 0.75, 1, -3, 7, np.nan]], dtype=np.float32)
    for black, white in ((0.0, 1.0), (100.0, 300.0)):
        scaled = (image * (white - black) + black).astype(np.float32)
        assert as_uint16(shown(scaled, Scale(black=black, white=white))).tolist() == [
            [0, 16384, 32768, 49151, 65535, 0, 65535, 0]
        ]


def test_sky_and_noise_are_found_among_stars() -> None:
    level = sky_level(_field(np.random.default_rng(5), sky=1234.0, noise=7.0))
    assert level is not None
    assert level.sky == pytest.approx(1234, abs=0.3)
    assert level.noise == pytest.approx(7, rel=0.05)
    assert sky_level(np.full((4, 4), np.nan, dtype=np.float32)) is None


def test_one_scale_keeps_the_ratios_of_channels() -> None:
    rng = np.random.default_rng(6)
    red, blue = _field(rng, sky=900, noise=5), _field(rng, sky=0, noise=4)
    scale = common_scale([red, blue])
    assert scale.softness is None
    assert scale.black == pytest.approx(-32, abs=2)  # 8 σ under the darker sky
    assert scale.white == max(np.nanmax(red), np.nanmax(blue))
    numbers = [as_uint16(shown(image, scale)).astype(float) for image in (red, blue)]
    unit = (scale.white - scale.black) / 65535
    for image, number in zip((red, blue), numbers, strict=True):
        back = scale.black + number * unit
        defined = np.isfinite(image)
        assert np.abs(back - image)[defined].max() <= 0.5001 * unit


def test_black_is_zero_light_when_the_sky_is_bright() -> None:
    assert common_scale([_field(np.random.default_rng(7), sky=900, noise=5)]).black == 0.0


@pytest.mark.parametrize(
    "image",
    [
        np.full((5, 5), np.nan, dtype=np.float32),
        np.zeros((5, 5), dtype=np.float32),
        np.full((5, 5), 70000, dtype=np.float32),
        np.array([[np.inf, np.nan], [-np.inf, 3]], dtype=np.float32),
    ],
)
def test_images_with_nothing_in_them_are_shown_all_the_same(image: np.ndarray) -> None:
    for scale in (common_scale([image]), picture_scale(image)):
        assert np.isfinite([scale.black, scale.white]).all()
        assert scale.white > scale.black
        result = shown(image, scale)
        assert np.isfinite(result).all()
        assert result.min() >= 0
        assert result.max() <= 1
    assert common_scale([]).white > common_scale([]).black


def test_a_picture_has_a_dark_sky_and_bright_stars() -> None:
    for sky, noise in ((900.0, 5.0), (3.0, 0.2), (40000.0, 80.0)):
        image = _field(np.random.default_rng(8), sky=sky, noise=noise)
        picture = shown(image, picture_scale(image))
        assert 0.08 < np.median(picture) < 0.4
        assert (picture == 0).mean() < 0.01  # noise is not cut
        assert picture.max() == 1
