"""Maps of bad pixels: odd columns, sorts, counts."""

import numpy as np
import pytest

from stackbench.calibration.badpixels import bad_pixels
from stackbench.calibration.columns import odd_columns
from stackbench.calibration.defects import defects_of, find_defects
from stackbench.calibration.records import Defect, DefectCounts
from stackbench.frames.records import Kind
from tests.support.calibration import master_of

SHAPE = (512, 400)


def _flat(rng):
    y, x = np.indices(SHAPE)
    fall_off = 1 - 0.3 * np.hypot(y - 256, x - 200) ** 2 / 320**2
    dust = 1 - 0.15 * (np.hypot(y - 300, x - 120) < 14)
    columns = 1 + 0.04 * (x % 2)  # read out through two amplifiers
    return (fall_off * dust * columns * rng.normal(1, 0.01, SHAPE)).astype(np.float32)


def test_a_trapped_column_is_found_from_the_trap_to_the_rim():
    flat = _flat(np.random.default_rng(5))
    flat[200:, 77] *= 0.8
    flat[:, 250] *= 0.97  # within the tolerance: the flat takes it out
    flat[100:140, 300] *= 0.5  # too short to be a column
    found = np.zeros(SHAPE, bool)
    found.reshape(-1)[odd_columns(flat, least_share=0.05)] = True
    assert np.flatnonzero(found.any(axis=0)).tolist() == [77]
    rows = np.flatnonzero(found[:, 77])
    assert rows[-1] == 511
    assert abs(rows[0] - 200) <= 64


@pytest.mark.parametrize("offset", [20.0, -20.0])
def test_columns_of_a_dark(offset):
    rng = np.random.default_rng(6)
    dark = (500 + rng.normal(0, 1, SHAPE)).astype(np.float32)
    dark[rng.integers(0, 512, 400), rng.integers(0, 400, 400)] += 3000
    dark[:, 0] += offset
    dark[:, 399] += offset
    dark[:, 50] += offset / 4
    found = find_defects(Kind.DARK, dark, noise_adu=4.0)
    assert found.counts.column > 1000
    assert set((found.of(Defect.COLUMN) % 400).tolist()) == {0, 399}


@pytest.mark.parametrize("gaps", [0.0, 0.02, 0.15])
def test_odd_columns_follow_their_definition_whatever_is_undefined(gaps):
    rng = np.random.default_rng(7)
    image = rng.normal(100, 3, (256, 90)).astype(np.float32)
    image[64:, 40] += 60
    image[:130, 3] -= 60
    image[rng.random(image.shape) < gaps] = np.nan
    rows = ((np.arange(20) + 0.5) * 256 / 20).astype(int)
    # undefined values count as highest, as numpy's sort puts NaN last
    level = np.sort(image[rows].reshape(4, 5, 90), axis=1)[:, 2]
    around = np.empty_like(level)
    for x in range(90):
        near = [x + step if 0 <= x + step < 90 else x - step for step in (-6, -4, -2, 2, 4, 6)]
        middle = np.sort(level[:, near], axis=1)[:, 2:4]
        around[:, x] = middle.mean(axis=1)
    off = np.nan_to_num(level - around)
    sigma = 1.482602218505602 * np.median(np.abs(off), axis=1, keepdims=True)
    odd = np.abs(off) > 8 * sigma
    both = odd[1:] & odd[:-1]
    wanted = np.zeros((4, 90), bool)
    wanted[1:] |= both
    wanted[:-1] |= both
    found = np.zeros(image.shape, bool)
    found.reshape(-1)[odd_columns(image)] = True
    assert wanted.any()
    assert (found == np.repeat(wanted, 64, axis=0)).all()


@pytest.mark.parametrize("shape", [(1, 1), (9, 12), (30, 13), (64, 64)])
def test_small_and_undefined_images(shape):
    assert odd_columns(np.ones(shape, np.float32)).size == 0
    assert odd_columns(np.full(shape, np.nan, np.float32)).size == 0


def test_a_pixel_of_several_sorts_counts_once():
    found = defects_of({Defect.UNSTABLE: np.array([3, 5]), Defect.HOT: np.array([5, 9])}, 1000)
    assert found.places.tolist() == [3, 5, 9]
    assert found.sorts.tolist() == [Defect.UNSTABLE, Defect.HOT, Defect.HOT]
    assert found.counts == DefectCounts(hot=2, unstable=1)
    assert found.of(Defect.HOT).tolist() == [5, 9]
    many = defects_of({Defect.HOT: np.arange(60)}, 1000)
    assert many.counts.total == 60
    assert many.places.size == 0


def test_a_scaled_dark_keeps_its_unstable_pixels():
    rng = np.random.default_rng(7)
    dark = (500 + rng.normal(0, 1, SHAPE)).astype(np.float32)
    dark[10, 10] = 540
    bad = find_defects(Kind.DARK, dark, noise_adu=4.0, unstable=np.array([3]))
    master = master_of(Kind.DARK, dark, frame_noise_adu=4.0, bad=bad, defects=bad.counts)
    whole = bad_pixels(dark=master, flat=None)
    short = bad_pixels(dark=master, flat=None, dark_scale=0.25)
    assert np.flatnonzero(whole.mask).tolist() == [3, 10 * 400 + 10]
    assert np.flatnonzero(short.mask).tolist() == [3]
    assert short.dark == DefectCounts(unstable=1)
