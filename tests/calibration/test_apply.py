"""Applying masters to a raw frame."""

import ccdproc
import numpy as np
import pytest
from astropy import units
from astropy.nddata import CCDData

from stackbench.calibration.apply import (
    CalibratedRows,
    Calibrator,
    calibrate_frame,
    level_under,
    make_calibrator,
)
from stackbench.frames.records import Kind
from stackbench.frames.room import Room
from tests.support.calibration import master_of, written

SHAPE = (70, 90)


@pytest.fixture
def masters():
    rng = np.random.default_rng(20)
    bias = 500 + rng.normal(0, 3, SHAPE)
    dark = bias + 40 + rng.exponential(5, SHAPE)
    flat = 1 + rng.normal(0, 0.02, SHAPE)
    return {
        "bias": master_of(Kind.BIAS, bias),
        "dark": master_of(Kind.DARK, dark, exposure_s=120.0),
        "flat": master_of(Kind.FLAT, flat, filter="L"),
    }


@pytest.fixture
def raw(tmp_path):
    rng = np.random.default_rng(21)
    image = rng.integers(400, 65000, SHAPE).astype(np.uint16)
    return image, written(tmp_path / "light.fits", image)


def _ccd(master, exposure=1.0):
    return CCDData(master.data.astype(np.float64), unit="adu", meta={"exposure": exposure})


@pytest.mark.filterwarnings("ignore:.*flat.*")
def test_same_numbers_as_ccdproc(masters, raw):
    # ccdproc 2.5: subtract_bias, subtract_dark with scale, flat_correct.
    image, pixels = raw
    light = CCDData(image.astype(np.float64), unit="adu", meta={"exposure": 60.0})
    bias, dark, flat = (_ccd(masters[kind]) for kind in ("bias", "dark", "flat"))
    current = ccdproc.subtract_bias(dark, bias)
    theirs = ccdproc.subtract_dark(
        ccdproc.subtract_bias(light, bias),
        current,
        dark_exposure=120 * units.s,
        data_exposure=60 * units.s,
        scale=True,
    )
    theirs = ccdproc.flat_correct(theirs, flat, norm_value=1.0)
    calibrator = make_calibrator(**masters, dark_scale=0.5)
    ours = calibrate_frame(pixels, calibrator).data
    assert ours.dtype == np.float32
    np.testing.assert_allclose(ours, theirs.data, rtol=3e-7, atol=2e-4)


def test_dark_as_taken_keeps_the_bias_inside(masters, raw):
    image, pixels = raw
    calibrator = make_calibrator(bias=masters["bias"], dark=masters["dark"])
    ours = CalibratedRows(pixels, calibrator).rows(0, SHAPE[0])
    np.testing.assert_array_equal(ours, image.astype(np.float32) - masters["dark"].data)


def test_as_far_as_possible(masters, raw):
    image, pixels = raw
    pixel = image.astype(np.float32)
    bias, flat = masters["bias"], masters["flat"]
    nothing = CalibratedRows(pixels, make_calibrator()).rows(0, SHAPE[0])
    np.testing.assert_array_equal(nothing, pixel)
    only_bias = CalibratedRows(pixels, make_calibrator(bias=bias)).rows(0, SHAPE[0])
    np.testing.assert_array_equal(only_bias, pixel - bias.data)
    only_flat = CalibratedRows(pixels, make_calibrator(flat=flat)).rows(0, SHAPE[0])
    np.testing.assert_array_equal(only_flat, pixel * (np.float32(1) / flat.data))
    assert level_under(bias=None, dark=None) is None
    with pytest.raises(ValueError, match="bias"):
        level_under(bias=None, dark=masters["dark"], dark_scale=0.5)


def test_undefined_pixels(masters, raw):
    _, pixels = raw
    bad = np.zeros(SHAPE, dtype=bool)
    bad[3, 4] = True
    flat = masters["flat"].data.copy()
    flat[5, 6], flat[7, 8], flat[9, 10] = 0, -0.1, np.nan
    done = CalibratedRows(pixels, make_calibrator(flat=master_of(Kind.FLAT, flat), bad=bad)).rows(
        0, SHAPE[0]
    )
    undefined = set(zip(*np.nonzero(np.isnan(done)), strict=True))
    assert undefined == {(3, 4), (5, 6), (7, 8), (9, 10)}
    masked = CalibratedRows(pixels, make_calibrator(bad=bad)).rows(0, SHAPE[0])
    assert np.flatnonzero(np.isnan(masked)).tolist() == [3 * SHAPE[1] + 4]


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.uint16, np.int32, np.float32, np.float64])
def test_every_way_of_storing(tmp_path, masters, dtype):
    rng = np.random.default_rng(22)
    image = rng.integers(0, 120, SHAPE).astype(dtype)
    calibrator = make_calibrator(**masters, saturation_adu=119)
    pixels = written(tmp_path / "light.fits", image)
    frame = calibrate_frame(pixels, calibrator, jobs=2)
    expected = (image.astype(np.float32) - calibrator.subtract) * calibrator.multiply
    np.testing.assert_array_equal(frame.data, expected)
    np.testing.assert_array_equal(frame.saturated, image == 119)
    part = CalibratedRows(pixels, calibrator).rows(11, 17)
    np.testing.assert_array_equal(part, expected[11:17])


def test_scaled_and_blank_values(tmp_path):
    # FITS Standard 3.0, eq. 4.3: physical = BZERO + BSCALE × stored; BLANK is
    # the stored value of an undefined pixel.
    stored = np.array([[-32768, 0, 10]], dtype=np.int16)
    pixels = written(tmp_path / "x.fits", stored, BZERO=100.0, BSCALE=2.0, BLANK=-32768)
    done = CalibratedRows(pixels, Calibrator(subtract=np.ones((1, 3), np.float32))).rows(0, 1)
    np.testing.assert_array_equal(done, [[np.nan, 99, 119]])


def test_saturated_pixels_are_those_of_the_raw_frame(masters, raw):
    image, pixels = raw
    unmarked = calibrate_frame(pixels, make_calibrator(**masters))
    assert unmarked.saturated is None
    none = calibrate_frame(pixels, make_calibrator(**masters, saturation_adu=65535))
    assert none.saturated is None
    some = calibrate_frame(pixels, make_calibrator(**masters, saturation_adu=64000), jobs=2)
    np.testing.assert_array_equal(some.saturated, image >= 64000)
    np.testing.assert_array_equal(some.data, unmarked.data)


@pytest.mark.parametrize("dtype", [np.int16, np.uint16])
@pytest.mark.parametrize("beyond", [-50000, -0.5, 0, 0.5, 50000])
def test_a_saturation_level_beyond_what_a_word_holds(tmp_path, dtype, beyond):
    ends = np.iinfo(dtype)
    image = np.array([[ends.min, 0, 7, ends.max]], dtype=dtype)
    source = CalibratedRows(
        written(tmp_path / "x.fits", image), Calibrator(saturation_adu=ends.max + beyond)
    )
    marks = np.empty(image.shape, dtype=np.bool_)
    out = np.empty(image.shape, dtype=np.float32)
    some = source.rows_and_saturated(0, 1, out=out, saturated=marks)
    np.testing.assert_array_equal(marks, image >= ends.max + beyond)
    assert some == marks.any()


def test_a_frame_in_memory_that_is_used_again(masters, raw):
    _, pixels = raw
    calibrator, room = make_calibrator(**masters, saturation_adu=64000), Room()
    fresh = calibrate_frame(pixels, calibrator)
    for _ in range(2):
        again = calibrate_frame(pixels, calibrator, room=room)
        np.testing.assert_array_equal(again.data, fresh.data)
        np.testing.assert_array_equal(again.saturated, fresh.saturated)
        assert np.shares_memory(again.data, room.lend(again.data.shape, np.float32))
        again.data[:] = np.nan
        again.saturated[:] = True


def test_masters_of_another_shape_are_refused(raw):
    _, pixels = raw
    with pytest.raises(ValueError, match=r"subtract has shape \(2, 2\)"):
        CalibratedRows(pixels, Calibrator(subtract=np.zeros((2, 2), np.float32)))


@pytest.mark.parametrize("dtype", ["uint16", "float32"])
def test_a_block_is_the_part_of_the_rows(tmp_path, dtype):
    rng = np.random.default_rng(4)
    shape = (40, 60)
    raw = rng.integers(900, 60000, shape).astype(dtype)
    source = CalibratedRows(
        written(tmp_path / "light.fits", raw),
        Calibrator(
            subtract=rng.normal(500, 5, shape).astype(np.float32),
            multiply=rng.normal(1, 0.1, shape).astype(np.float32),
        ),
    )
    block = source.block(7, 31, 11, 29)
    np.testing.assert_array_equal(block, source.rows(7, 31)[:, 11:29])
    assert block.flags.c_contiguous
    with pytest.raises(ValueError, match=r"\(24, 17\) cannot receive \(24, 18\)"):
        source.block_into(7, 31, 11, 29, out=block[:, 1:])
