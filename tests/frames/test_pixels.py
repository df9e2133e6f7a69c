"""Pixels by rows: the numbers of the FITS Standard, astropy, and files that change."""

import struct
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import MappedRows, PixelFile, decode, decode_into, pixel_file
from stackbench.frames.records import PixelLayout
from stackbench.frames.scan import scan_folders
from tests.support.fitsbytes import card, image_bytes

STORED = {8: ">u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}


def layout(bitpix, shape=(1, 1), **facts):
    return PixelLayout(hdu=0, shape=shape, bitpix=bitpix, data_offset=0, **facts)


def decoded(values, bitpix, **facts):
    return decode(np.array(values, STORED[bitpix]), layout(bitpix, **facts))


def listed(path):
    (frame,) = scan_folders([path]).frames
    return frame


def mapped(path):
    source = pixel_file(listed(path))
    assert source is not None
    return MappedRows(source)


def test_16_bits_without_bzero_are_signed():
    # FITS Standard 3.0, table 4.6.
    np.testing.assert_array_equal(decoded([-32768, -1, 0, 32767], 16), [-32768, -1, 0, 32767])


@pytest.mark.parametrize("bitpix", STORED)
def test_scaling(bitpix):
    # physical = BZERO + BSCALE × stored (FITS Standard 3.0, equation 4.3).
    values = decoded([0, 10], bitpix, bscale=2.0, bzero=100.0)
    np.testing.assert_array_equal(values, [100, 120])
    assert values.dtype == np.float32


def test_unsigned_16_bit_down_to_the_bytes():
    # The 32768 convention: https://github.com/astropy/astropy/issues/362; its table in
    # the standard from memory, the bytes verified.
    stored = np.frombuffer(bytes.fromhex("8000 8001 FFFF 0000 7FFF"), ">i2")
    assert stored.tolist() == [-32768, -32767, -1, 0, 32767]
    values = decode(stored, layout(16, bzero=32768.0))
    assert values.tolist() == [0, 1, 32767, 32768, 65535]


@pytest.mark.parametrize(
    ("bitpix", "bzero", "stored", "physical"),
    [
        # Other sign conventions: FITS Standard, section 4.4.2.5, from memory.
        (8, -128.0, [0, 255], [-128, 127]),
        (32, 2.0**31, [-(2**31), 0, 2**31 - 1], [0, 2**31, 2**32]),
        (64, 2.0**63, [-(2**63), 5 - 2**63, 2**63 - 1], [0, 5, 2**64]),
    ],
)
def test_other_sign_conventions(bitpix, bzero, stored, physical):
    assert decoded(stored, bitpix, bzero=bzero).tolist() == physical


@pytest.mark.parametrize("bitpix", [8, 16, 32, 64])
def test_most_significant_byte_first(bitpix):
    # FITS Standard, sections 5.1 to 5.3; https://archive.stsci.edu/fits/users_guide/node20.html
    size = bitpix // 8
    stored = np.frombuffer(bytes(range(1, size + 1)), STORED[bitpix])
    assert decode(stored, layout(bitpix))[0] == np.float32(int.from_bytes(range(1, size + 1)))


@pytest.mark.parametrize(("bitpix", "code"), [(-32, ">f"), (-64, ">d")])
def test_floats_are_ieee_big_endian(bitpix, code):
    stored = np.frombuffer(struct.pack(code, -1.5) + struct.pack(code, np.nan), STORED[bitpix])
    np.testing.assert_array_equal(decode(stored, layout(bitpix)), [-1.5, np.nan])


@pytest.mark.parametrize("bitpix", [16, 32, 64])
def test_blank_is_a_stored_value(bitpix):
    # FITS Standard 3.0, section 4.4.2.5.
    values = decoded([-32768, 0, 10], bitpix, blank=-32768, bscale=2.0, bzero=100.0)
    np.testing.assert_array_equal(values, [np.nan, 100, 120])


def test_blank_holds_in_unsigned_files_too(tmp_path):
    # astropy (8.0.2) drops it there by default, and keeps it with uint=False.
    stored = np.array([[-32768, 0, 10]], ">i2")
    (tmp_path / "a.fits").write_bytes(
        image_bytes(stored, card("BZERO", 32768), card("BSCALE", 1), card("BLANK", -32768))
    )
    values = mapped(tmp_path).rows(0, 1)
    np.testing.assert_array_equal(values, [[np.nan, 32768, 32778]])
    outside = fits.getdata(tmp_path / "a.fits", uint=False)
    np.testing.assert_array_equal(values, outside)


def test_blank_of_floats_or_out_of_range_marks_nothing():
    assert decoded([1, 2], -32, blank=1).tolist() == [1, 2]
    assert decoded([1, 2], 16, blank=70_000).tolist() == [1, 2]
    assert decoded([1, 2], 8, blank=-1).tolist() == [1, 2]


def test_whole_numbers_are_exact_up_to_24_bits():
    # IEEE 754 binary32 has 24 bits of significand: derivable.
    assert decoded([2**24, 2**24 + 1], 32).tolist() == [2**24, 2**24]


@pytest.mark.parametrize("bitpix", STORED)
@settings(max_examples=30)
@given(data=st.data())
def test_any_stored_values_against_plain_float64(bitpix, data):
    stored = data.draw(arrays(STORED[bitpix], st.integers(1, 40)))
    scale = data.draw(st.sampled_from([1.0, 2.0, 0.045777764213996, -3.5e-5]))
    zero = data.draw(st.sampled_from([0.0, 1.0, 32768.0, -128.0, 1500.25, 1e8]))
    blank = data.draw(st.none() | st.integers(-40_000, 300))
    with np.errstate(all="ignore"):
        expected = (zero + scale * stored.astype(np.float64)).astype(np.float32)
    if blank is not None and bitpix > 0:
        expected[[int(value) == blank for value in stored]] = np.nan
    found = decode(stored, layout(bitpix, bscale=scale, bzero=zero, blank=blank))
    np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("bitpix", STORED)
@pytest.mark.parametrize("where", ["primary", "extension"])
def test_rows_agree_with_astropy(tmp_path, bitpix, where):
    rng = np.random.default_rng(abs(bitpix))
    data = rng.integers(0, 200, (37, 23)).astype(STORED[bitpix])
    hdu = fits.PrimaryHDU(data) if where == "primary" else fits.ImageHDU(data)
    hdu.header["IMAGETYP"] = "LIGHT"
    hdus = [hdu] if where == "primary" else [fits.PrimaryHDU(), hdu]
    fits.HDUList(hdus).writeto(tmp_path / "a.fits")
    source = mapped(tmp_path / "a.fits")
    assert source.shape == (37, 23)
    np.testing.assert_array_equal(source.rows(0, 37), data)
    for start, stop in [(0, 1), (36, 37), (5, 20), (7, 7)]:
        np.testing.assert_array_equal(source.rows(start, stop), data[start:stop])
        np.testing.assert_array_equal(source.stored_rows(start, stop), data[start:stop])


def test_rows_beyond_the_first_pages_of_a_file(tmp_path):
    data = np.arange(700 * 300, dtype=np.int32).reshape(700, 300)
    fits.writeto(tmp_path / "light.fits", data)
    source = mapped(tmp_path)
    for start in range(0, 700, 63):
        stop = min(start + 63, 700)
        np.testing.assert_array_equal(source.rows(start, stop), data[start:stop])


def test_stored_rows_are_read_only_and_decoded_rows_are_the_callers(tmp_path):
    content = image_bytes(np.arange(6, dtype=">i2").reshape(2, 3), card("IMAGETYP", "LIGHT"))
    (tmp_path / "a.fits").write_bytes(content)
    source = mapped(tmp_path)
    stored = source.stored_rows(0, 2)
    assert stored.dtype == np.dtype(">i2")
    with pytest.raises(ValueError, match="read-only"):
        stored[0, 0] = 1
    source.rows(0, 2)[:] = 0
    del stored
    assert (tmp_path / "a.fits").read_bytes() == content


def test_rows_into_a_kept_array(tmp_path):
    data = np.arange(40, dtype=np.uint16).reshape(8, 5)
    fits.writeto(tmp_path / "light.fits", data)
    source = mapped(tmp_path)
    out = np.full((3, 5), -1, np.float32)
    source.rows_into(2, 5, out=out)
    np.testing.assert_array_equal(out, data[2:5])
    with pytest.raises(ValueError, match="cannot receive"):
        source.rows_into(2, 4, out=out)
    with pytest.raises(ValueError, match="cannot receive"):
        decode_into(np.zeros((5, 3), ">i2"), layout(16), out=out.T)


@pytest.mark.parametrize(("start", "stop"), [(-1, 2), (2, 1), (0, 9)])
def test_rows_outside_the_image(tmp_path, start, stop):
    fits.writeto(tmp_path / "light.fits", np.zeros((8, 5), np.uint16))
    with pytest.raises(ValueError, match="outside"):
        mapped(tmp_path).rows(start, stop)


def test_a_file_that_shrank_or_went_away_since_the_scan(tmp_path):
    path = tmp_path / "light.fits"
    fits.writeto(path, np.zeros((800, 500), np.uint16))
    source = mapped(path)
    whole = path.read_bytes()
    path.write_bytes(whole[:400_000])
    with pytest.raises(FrameError, match="truncated"):
        source.rows(0, 1)
    path.unlink()
    with pytest.raises(FrameError, match="cannot be read") as told:
        source.rows(0, 1)
    assert told.value.problem.path == path


def test_packed_files_cannot_be_mapped(tmp_path):
    fits.writeto(tmp_path / "light.fits.gz", np.zeros((8, 5), np.uint16))
    frame = listed(tmp_path)
    assert pixel_file(frame) is None
    with pytest.raises(ValueError, match="decoded first"):
        MappedRows(PixelFile(path=frame.path, layout=frame.layout))


def test_mapping_from_an_offset_of_any_size():
    source = PixelFile(path=Path(__file__), layout=replace(layout(8, (2, 3)), data_offset=3))
    text = Path(__file__).read_bytes()
    np.testing.assert_array_equal(MappedRows(source).rows(1, 2)[0], list(text[6:9]))


def test_eight_threads_see_what_one_sees(tmp_path):
    data = np.random.default_rng(8).integers(0, 65535, (640, 400)).astype(np.uint16)
    fits.writeto(tmp_path / "light.fits", data)
    source = mapped(tmp_path)
    bands = [(start, start + 16) for start in range(0, 640, 16)] * 4
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda band: source.rows(*band), bands))
    for (start, stop), rows in zip(bands, found, strict=True):
        np.testing.assert_array_equal(rows, data[start:stop])
