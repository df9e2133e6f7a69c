"""Bad pixels from masters."""

import numpy as np
import pytest

from stackbench.calibration.badpixels import bad_pixels
from stackbench.calibration.defects import hot_pixels, uneven_pixels
from stackbench.calibration.records import DefectCounts
from stackbench.calibration.surroundings import outside, tile_levels
from stackbench.frames.records import Kind
from tests.support.calibration import master_of

SHAPE = (300, 420)


def _scattered(rng, count):
    """`count` different places, none of them shared."""
    chosen = rng.choice(SHAPE[0] * SHAPE[1], count, replace=False)
    return np.unravel_index(chosen, SHAPE)


def test_hot_and_cold_pixels_on_amplifier_glow():
    rng = np.random.default_rng(30)
    y, x = np.indices(SHAPE)
    dark = 500 + 200 * np.exp(-np.hypot(y, x) / 300) + rng.normal(0, 1, SHAPE)
    places = _scattered(rng, 60)
    dark[places] += np.repeat([60.0, -60.0], 30)
    hot, cold = hot_pixels(dark.astype(np.float32), noise_adu=4)
    expected = np.zeros(SHAPE, bool)
    expected[places[0][:30], places[1][:30]] = True
    np.testing.assert_array_equal(hot, expected)
    assert cold.sum() == 30
    assert cold[places].sum() == 30


def test_hot_pixels_matter_less_in_short_lights():
    rng = np.random.default_rng(31)
    dark = (500 + rng.normal(0, 1, SHAPE)).astype(np.float32)
    dark[10, 10], dark[20, 20] = 540, 900
    long, _ = hot_pixels(dark, noise_adu=4)
    short, _ = hot_pixels(dark, noise_adu=4, scale=0.25)
    assert long.sum() == 2
    assert np.argwhere(short).tolist() == [[20, 20]]


def test_dim_and_bright_pixels_on_vignetting():
    rng = np.random.default_rng(32)
    y, x = np.indices(SHAPE)
    fall_off = 1 - 0.6 * np.hypot(y - 150, x - 210) ** 2 / 260**2
    flat = fall_off * rng.normal(1, 0.01, SHAPE)
    places = _scattered(rng, 40)
    flat[places] *= np.repeat([0.3, 2.5], 20)
    flat[0, 0] = -0.1
    dim, bright = uneven_pixels(flat.astype(np.float32))
    assert dim[places][:20].all()
    assert dim[0, 0]
    assert dim.sum() == 21
    assert bright[places][20:].all()
    assert bright.sum() == 20


def test_mask_of_both_masters():
    rng = np.random.default_rng(33)
    dark = 500 + rng.normal(0, 1, SHAPE)
    dark[5, 6] = 2000
    dark[7, 7] = np.nan
    flat = rng.normal(1, 0.01, SHAPE)
    flat[8, 9] = 0.1
    masters = {
        "dark": master_of(Kind.DARK, dark, frame_noise_adu=4.0),
        "flat": master_of(Kind.FLAT, flat),
    }
    found = bad_pixels(**masters)
    assert np.argwhere(found.mask).tolist() == [[5, 6], [7, 7], [8, 9]]
    assert (found.dark, found.flat) == (DefectCounts(hot=1), DefectCounts(dim=1))
    assert found.problems == ()
    assert bad_pixels(dark=None, flat=None) is None
    assert bad_pixels(dark=masters["dark"], flat=None).mask.sum() == 2


def test_a_master_that_marks_too_much_is_not_believed():
    rng = np.random.default_rng(34)
    dark = 500 + rng.normal(0, 1, SHAPE)
    dark[rng.random(SHAPE) < 0.1] += 500
    dark[0, 0] = np.nan
    found = bad_pixels(dark=master_of(Kind.DARK, dark), flat=None)
    assert np.argwhere(found.mask).tolist() == [[0, 0]]
    assert found.dark.total == 0
    (problem,) = found.problems
    assert "10." in problem.why or "9.9" in problem.why
    assert "limit 5 %" in problem.why


@pytest.mark.parametrize("shape", [(1, 1), (9, 10), (64, 64), (129, 127), (200, 333)])
def test_limits_are_bilinear_between_tiles(shape):
    # A plane is reproduced exactly, beyond the outer centres too.
    down, across = max(1, shape[0] // 64), max(1, shape[1] // 64)
    y_centre = (np.arange(down) + 0.5) * shape[0] / down - 0.5
    x_centre = (np.arange(across) + 0.5) * shape[1] / across - 0.5
    grid = 2 * y_centre[:, None] + 3 * x_centre[None, :]
    # One tile has no slope.
    y = np.arange(shape[0]) if down > 1 else np.full(shape[0], y_centre[0])
    x = np.arange(shape[1]) if across > 1 else np.full(shape[1], x_centre[0])
    plane = (2 * y[:, None] + 3 * x[None, :]).astype(np.float32)
    below, above = outside(plane, floor=grid - 0.01, ceiling=grid + 0.01)
    assert not below.any()
    assert not above.any()
    below, above = outside(plane, floor=grid + 0.01, ceiling=grid - 0.01)
    assert below.all()
    assert above.all()


def test_tiles_leave_undefined_pixels_out():
    image = np.full((128, 128), 7, np.float32)
    image[:, ::2] = np.nan
    image[:64, :64] = np.nan
    image[0, 0] = 1e6
    level, spread = tile_levels(image)
    assert (level == 7).all()
    assert (spread == 0).all()
