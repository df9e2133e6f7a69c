"""Observed frames that installed packages carry: reality must fit through the door."""

from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path

import astropy
import ccdproc
import numpy as np
import pytest
from astropy.io import fits
from astropy.nddata import CCDData

from stackbench.frames.pixels import MappedRows, pixel_file
from stackbench.frames.records import Kind, Pointing, Site
from stackbench.frames.scan import scan_folders
from stackbench.frames.scratch import decode_to_scratch
from stackbench.frames.sections import section_slices

CCDPROC = Path(ccdproc.__file__).parent / "tests" / "data"
# Found, not imported: the package brings a whole optics library with it.
MSFC = Path(find_spec("msfc_ccd").origin).parent / "_data"
ASTROPY = Path(astropy.__file__).parent / "io" / "fits" / "tests" / "data"


def listed(path):
    (frame,) = scan_folders([path]).frames
    return frame


def pixels(frame, folder):
    source = MappedRows(pixel_file(frame) or decode_to_scratch(frame, folder))
    return source.rows(0, source.shape[0])


def test_an_observatorys_raw_frame_with_overscan(tmp_path):
    frame = listed(CCDPROC / "a8280271.fits")
    assert (frame.kind, frame.target, frame.filter) == (Kind.LIGHT, "rf0420", None)
    assert (frame.exposure_s, frame.egain_e_per_adu, frame.airmass) == (150.04, 1.9, 1.176)
    assert frame.temperature_c == -92.95  # stated as 180.2, kelvin
    assert frame.time == datetime(2013, 7, 13, 0, 57, 33, tzinfo=UTC)
    assert frame.pointing == Pointing(
        ra_deg=pytest.approx(331.0334, abs=1e-4), dec_deg=pytest.approx(-0.9253, abs=1e-4)
    )
    data = pixels(frame, tmp_path)
    assert data.shape == frame.setup.camera.shape == (520, 536)
    assert np.median(data) == 300
    # Overscan median and trim agree with ccdproc's own, of which the median is 86.
    over = data[section_slices(frame.overscan_section, data.shape)]
    trimmed = section_slices(frame.trim_section, data.shape)
    ours = (data - np.median(over, axis=1, keepdims=True))[trimmed]
    raw = CCDData.read(CCDPROC / "a8280271.fits", unit="adu")
    theirs = ccdproc.subtract_overscan(
        raw, fits_section=raw.header["BIASSEC"], overscan_axis=1, median=True
    )
    theirs = ccdproc.trim_image(theirs, fits_section=raw.header["TRIMSEC"])
    np.testing.assert_array_equal(ours, theirs.data)
    assert ours.shape == (520, 512)
    assert np.median(ours) == 86


def test_an_amateurs_light_with_a_distorted_coordinate_system(tmp_path):
    frame = listed(CCDPROC / "sip-wcs.fit")
    assert (frame.kind, frame.filter, frame.exposure_s) == (Kind.LIGHT, "B", 120.0)
    assert frame.set_temperature_c == pytest.approx(-18.9, abs=1e-6)
    assert frame.temperature_c == pytest.approx(-19.015, abs=1e-3)
    assert frame.time == datetime(2011, 9, 1, 2, 9, 5, tzinfo=UTC)
    assert frame.setup.focal_length_mm is None  # stated as 0
    assert frame.site == Site(
        latitude_deg=pytest.approx(46.86678, abs=1e-5),
        longitude_deg=pytest.approx(-96.453278, abs=1e-5),
    )
    # Proper pixel scale by astropy.wcs from the same header.
    with fits.open(CCDPROC / "sip-wcs.fit") as hdus:
        header = hdus[0].header
        area = abs(header["CD1_1"] * header["CD2_2"] - header["CD1_2"] * header["CD2_1"])
        np.testing.assert_array_equal(pixels(frame, tmp_path), hdus[0].data)
    assert frame.scale_arcsec_px == pytest.approx(3600 * area**0.5)
    assert frame.pointing == Pointing(ra_deg=header["CRVAL1"], dec_deg=header["CRVAL2"])


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("led/ESIS1_04803.fit.gz", Kind.UNKNOWN),
        ("darks/ESIS1_00099.fit.gz", Kind.DARK),
        ("dark_current/ESIS1_01772.fit.gz", Kind.DARK),
    ],
)
def test_a_science_cameras_packed_frames_without_usual_keys(tmp_path, path, kind):
    (frame,) = [frame for frame in scan_folders([MSFC]).frames if frame.path == MSFC / path]
    assert frame.kind is kind
    assert (frame.exposure_s, frame.filter, frame.target) == (None, None, None)
    assert frame.layout.shape == (1040, 2152)
    np.testing.assert_array_equal(pixels(frame, tmp_path), fits.getdata(MSFC / path))


def test_every_frame_of_the_science_camera_bit_by_bit(tmp_path):
    scan = scan_folders([MSFC])
    assert len(scan.frames) == 13
    for frame in scan.frames:
        np.testing.assert_array_equal(pixels(frame, tmp_path), fits.getdata(frame.path))
    unknown = {frame.path for frame in scan.frames if frame.kind is Kind.UNKNOWN}
    assert unknown == {problem.path for problem in scan.problems}
    assert {path.parent.name for path in unknown} == {"led", "fe55"}


@pytest.mark.parametrize("name", ["flat-mef.fits", "science-mef.fits", "a8280271.fits"])
def test_frames_that_ccdproc_carries_bit_by_bit(tmp_path, name):
    frame = listed(CCDPROC / name)
    with fits.open(CCDPROC / name) as hdus:
        np.testing.assert_array_equal(pixels(frame, tmp_path), hdus[frame.layout.hdu].data)


@pytest.mark.parametrize(
    ("name", "hdu"),
    [("comp.fits", 1), ("o4sp040b0_raw.fits", 1), ("test0.fits", 1), ("scale.fits", 0)],
)
def test_container_dialects_against_astropy(tmp_path, name, hdu):
    frame = listed(ASTROPY / name)
    assert frame.layout.hdu == hdu
    with fits.open(ASTROPY / name, do_not_scale_image_data=True) as hdus:
        header, stored = hdus[hdu].header, hdus[hdu].data.astype(np.float64)
    expected = header.get("BZERO", 0) + header.get("BSCALE", 1) * stored
    np.testing.assert_array_equal(pixels(frame, tmp_path), expected.astype(np.float32))


def test_all_of_astropys_odd_files_are_frames_or_problems(tmp_path):
    # Tables, cubes, random groups, damaged headers …: each gives exactly one of the two.
    scan = scan_folders([ASTROPY])
    for frame in scan.frames:
        with fits.open(frame.path) as hdus:
            assert hdus[frame.layout.hdu].data.shape == frame.layout.shape
        assert pixels(frame, tmp_path).shape == frame.layout.shape
    spoken = {problem.path for problem in scan.problems}
    files = {path for path in ASTROPY.rglob("*") if path.suffix == ".fits"}
    assert {frame.path for frame in scan.frames} | spoken == files
