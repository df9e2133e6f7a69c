"""Where a camera saturates, told from its frames."""

import numpy as np
import pytest

from stackbench.calibration.saturation import saturation_level, top_values
from tests.support.calibration import ArrayRows


def _field(rng, *, stars=60, full_well=1e9, spread=0.0, ceiling=65535, pedestal=0):
    """Stars of all brightnesses on a sky, cut off where the pixels are full."""
    image = rng.normal(1000, 20, (400, 400))
    y, x = np.mgrid[-10:11, -10:11]
    for _ in range(stars):
        flux = 3e3 * 10 ** rng.uniform(0, 2.5)
        row, column = rng.integers(10, 390, 2)
        dy, dx = rng.uniform(-0.5, 0.5, 2)
        spot = flux * np.exp(-((y - dy) ** 2 + (x - dx) ** 2) / 8)
        image[row - 10 : row + 11, column - 10 : column + 11] += spot
    image = np.minimum(image, full_well + spread * rng.normal(size=image.shape)) + pedestal
    return np.minimum(np.rint(image), ceiling)


def _level(*images):
    tops = [top_values(ArrayRows(image)) for image in images]
    return saturation_level([top for top in tops if top is not None])


@pytest.mark.parametrize("ceiling", [4095, 16383, 65535])
def test_ceiling_of_the_converter(ceiling):
    rng = np.random.default_rng(ceiling)
    assert _level(_field(rng, ceiling=ceiling)) == ceiling


def test_values_shifted_up_to_16_bits():
    rng = np.random.default_rng(7)
    assert _level(4 * np.floor(_field(rng, ceiling=16383 * 4) / 4)) == 65532


def test_full_well_below_the_ceiling():
    rng = np.random.default_rng(8)
    assert _level(_field(rng, full_well=52000)) == 52000
    level = _level(*(_field(rng, full_well=52000, spread=150) for _ in range(3)))
    assert 51300 <= level <= 52000 - 2 * 150


def test_one_pixel_at_the_16_bit_ceiling_is_enough():
    rng = np.random.default_rng(9)
    image = _field(rng, stars=0)
    image[3, 3] = 65535
    assert _level(image) == 65535


def test_frames_that_all_end_at_one_value():
    rng = np.random.default_rng(10)
    images = [_field(rng, stars=0) for _ in range(3)]
    for index, image in enumerate(images):
        image[3, index] = 61234
    assert _level(*images[:2]) is None
    assert _level(*images) == 61234


@pytest.mark.parametrize("level", [300, 3000, 30000, 60000])
def test_flats_that_are_not_saturated(level):
    rng = np.random.default_rng(level)
    even = rng.poisson(level, (300, 300))
    vignetted = rng.poisson(level * np.linspace(0.5, 1, 300) * np.ones((300, 1)))
    assert _level(even) is None
    assert _level(even, vignetted) is None


def test_saturated_flat():
    rng = np.random.default_rng(11)
    flat = np.minimum(rng.poisson(5000 * np.linspace(0.5, 1, 300) * np.ones((300, 1))), 4095)
    assert _level(flat) == 4095
    assert _level(np.full((50, 50), 65535)) == 65535


def test_nothing_shows_it():
    rng = np.random.default_rng(12)
    assert _level(_field(rng, ceiling=np.inf)) is None
    assert _level(np.full((50, 50), 1234)) is None
    assert top_values(ArrayRows(np.full((5, 5), np.nan))) is None
    assert saturation_level([]) is None
    # A pile-up that other frames exceed is none.
    assert _level(_field(rng, ceiling=3000), _field(rng, ceiling=np.inf)) is None


def test_values_beyond_16_bits_and_infinite_ones():
    rng = np.random.default_rng(13)
    image = 20 * _field(rng, full_well=40000)
    image[0, 0] = np.inf
    image[0, 1] = np.nan
    assert _level(image) == pytest.approx(800_000, rel=1e-4)


@pytest.mark.parametrize("highest", [0.98, 1.0, 4.9])
def test_frames_that_were_scaled_down_say_nothing(highest):
    image = _field(np.random.default_rng(9)) / 65535 * highest
    assert top_values(ArrayRows(image.astype(np.float32))) is None


def test_eight_bits_end_at_255():
    rng = np.random.default_rng(10)
    images = [np.minimum(_field(rng, full_well=255), 255) for _ in range(3)]
    assert _level(*images) == 255
