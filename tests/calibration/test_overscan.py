"""Overscan and trimming."""

from dataclasses import replace
from pathlib import Path

import ccdproc
import numpy as np
import pytest
from astropy.io import fits
from astropy.nddata import CCDData

from stackbench.calibration.overscan import (
    corrected_scratch,
    needs_overscan,
    subtract_overscan,
    trimmed_shape,
)
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import Kind
from tests.support.calibration import set_of, written


def _frame(shape, **facts):
    frame = set_of(Kind.LIGHT, 1, shape).frames[0]
    return replace(frame, **facts)


def test_section_counting():
    # BIASSEC and TRIMSEC count from 1, both ends included, x first: the custom
    # of observatories; ccdproc's fits_section agrees (read in its docstring).
    image = (20 * np.arange(12)[:, None] + np.arange(20)[None, :]).astype(np.float32)
    kept = subtract_overscan(image, overscan_section=None, trim_section="[3:18,2:11]")
    assert kept.shape == (10, 16)
    assert (kept[0, 0], kept[-1, -1]) == (22, 217)
    theirs = ccdproc.trim_image(CCDData(image, unit="adu"), fits_section="[3:18,2:11]")
    np.testing.assert_array_equal(kept, theirs.data)


def test_raw_frame_of_ccdproc():
    # ccdproc's own raw frame: its overscan median and trimming give shape
    # (520, 512) and median 86.0; the raw median is 300.
    path = Path(ccdproc.__file__).parent / "tests" / "data" / "a8280271.fits"
    with fits.open(path) as hdus:
        header, image = hdus[0].header, hdus[0].data.astype(np.float32)
    assert np.median(image) == 300
    sections = {"overscan_section": header["BIASSEC"], "trim_section": header["TRIMSEC"]}
    done = subtract_overscan(image, **sections)
    assert done.dtype == np.float32
    assert done.shape == (520, 512)
    assert np.median(done) == 86.0
    frame = _frame((520, 536), **sections)
    assert needs_overscan(frame)
    assert trimmed_shape(frame.trim_section, (520, 536)) == (520, 512)
    ccd = CCDData(image, unit="adu")
    by_line = ccdproc.subtract_overscan(ccd, fits_section=header["BIASSEC"], median=True)
    theirs = ccdproc.trim_image(by_line, fits_section=header["TRIMSEC"]).data
    # Ten overscan pixels per line are too few: line medians add stripes of
    # about 1.25 σ/√10 = 1.2 ADU, which one median for the frame does not.
    added = np.sqrt(_stripes(theirs) ** 2 - _stripes(done) ** 2)
    assert 0.8 < added < 1.4


def _stripes(image):
    """The scatter from line to line, ADU."""
    return np.std(np.diff(np.mean(image, axis=1))) / np.sqrt(2)


def test_wide_overscan_follows_each_line_as_ccdproc_does():
    rng = np.random.default_rng(5)
    drift = np.linspace(500, 540, 60)[:, None]
    image = np.rint(drift + rng.normal(0, 3, (60, 132))).astype(np.float32)
    image[:, :100] += 1000
    sections = {"overscan_section": "[101:132, 1:60]", "trim_section": "[1:100, :]"}
    done = subtract_overscan(image, **sections)
    ccd = ccdproc.subtract_overscan(
        CCDData(image.astype(float), unit="adu"), fits_section="[101:132,1:60]", median=True
    )
    np.testing.assert_array_equal(done, ccd.data[:, :100].astype(np.float32))
    assert np.median(done[:10]) == pytest.approx(np.median(done[-10:]), abs=1)
    turned = subtract_overscan(
        image.T, overscan_section="[1:60,101:132]", trim_section="[1:60,1:100]"
    )
    np.testing.assert_array_equal(turned, done.T)


def test_sections_of_one_axis_and_blanks():
    # One axis only, as a cooled 4k camera writes it: x, the other axis whole.
    image = np.full((30, 40), 700, np.float32)
    image[:, 36:] = 200
    done = subtract_overscan(image, overscan_section="[  37 : 40 ]", trim_section="[1:36, :]")
    assert done.shape == (30, 36)
    assert (done == 500).all()


@pytest.mark.parametrize("empty", [None, "", "  ", "[]", "[0:0,0:0]"])
def test_no_overscan(empty):
    assert not needs_overscan(_frame((30, 40), overscan_section=empty, trim_section=empty))
    assert not needs_overscan(_frame((30, 40), trim_section="[1:40,1:30]"))
    assert needs_overscan(_frame((30, 40), trim_section="[2:40,1:30]"))
    image = np.full((30, 40), 7, np.float32)
    done = subtract_overscan(image, overscan_section=empty, trim_section=empty)
    np.testing.assert_array_equal(done, image)


def test_section_that_leaves_the_frame():
    with pytest.raises(ValueError, match="does not fit an axis of 40 pixels"):
        subtract_overscan(
            np.zeros((30, 40), np.float32), overscan_section="[41:50,1:30]", trim_section=None
        )


def test_scratch_file(tmp_path):
    rng = np.random.default_rng(6)
    image = rng.integers(0, 65535, (50, 60)).astype(np.uint16)
    pixels = written(tmp_path / "raw.fits", image)
    frame = _frame((50, 60), overscan_section="[55:60,:]", trim_section="[3:52,2:49]")
    scratch = corrected_scratch(frame, pixels, tmp_path)
    rows = MappedRows(scratch)
    assert rows.shape == (48, 50)
    expected = image[1:49, 2:52] - np.median(image[:, 54:60])
    np.testing.assert_array_equal(rows.rows(0, 48), expected.astype(np.float32))


@pytest.mark.parametrize(
    ("overscan", "trim"), [("[101:132,1:52]", "[1:100,1:52]"), ("[101:132,5:56]", "[1:100,1:60]")]
)
def test_an_overscan_shorter_than_the_frame(overscan, trim):
    # Rows of the image that the overscan has not: one level for the frame.
    image = np.full((60, 132), 1500, np.float32)
    image[:, 100:] = 500 + np.arange(60)[:, None]
    done = subtract_overscan(image, overscan_section=overscan, trim_section=trim)
    rows, first = (52, 0) if trim.endswith("52]") else (60, None)
    assert done.shape == (rows, 100)
    if first == 0:
        np.testing.assert_array_equal(
            done, np.broadcast_to(1000 - np.arange(52)[:, None], done.shape)
        )
    else:
        assert (done == 1500 - np.median(500 + np.arange(4, 56))).all()


def test_an_overscan_beside_the_image_goes_by_rows_though_it_is_wider_than_high():
    image = np.full((32, 400), 900, np.float32)
    image[:, 350:] = 100 + np.arange(32)[:, None]
    done = subtract_overscan(image, overscan_section="[351:400,1:32]", trim_section="[1:350,1:32]")
    np.testing.assert_array_equal(done, np.broadcast_to(800 - np.arange(32)[:, None], (32, 350)))
    below = subtract_overscan(
        image.T, overscan_section="[1:32,351:400]", trim_section="[1:32,1:350]"
    )
    np.testing.assert_array_equal(below, done.T)


@pytest.mark.parametrize("width", [10, 40])
def test_undefined_overscan_pixels_are_left_out(width):
    image = np.full((50, 100 + width), 700, np.float32)
    image[:, 100:] = 200
    image[7, 105] = np.nan
    done = subtract_overscan(
        image, overscan_section=f"[101:{100 + width},1:50]", trim_section="[1:100,1:50]"
    )
    assert (done == 500).all()
