"""Packed and tile-compressed frames, decoded once into files that can be mapped."""

import bz2
import gzip

import numpy as np
import pytest
from astropy.io import fits

from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import MappedRows
from stackbench.frames.scan import scan_folders
from stackbench.frames.scratch import decode_to_scratch, write_scratch
from tests.support.fitsbytes import card, image_bytes


@pytest.fixture
def scratch(tmp_path):
    folder = tmp_path / "scratch"
    folder.mkdir()
    return folder


def listed(path):
    (frame,) = scan_folders([path]).frames
    return frame


def decoded(path, scratch):
    source = MappedRows(decode_to_scratch(listed(path), scratch))
    return source.rows(0, source.shape[0])


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress])
def test_packed_files(tmp_path, scratch, pack):
    data = np.random.default_rng(1).integers(-32768, 32767, (200, 300)).astype(">i2")
    content = image_bytes(data, card("BZERO", 32768), card("BLANK", 7), card("IMAGETYP", "dark"))
    packed = pack(content)  # once: gzip writes the time into it
    (tmp_path / "a.fits.gz").write_bytes(packed)
    expected = np.where(data == 7, np.nan, data + np.float32(32768))
    np.testing.assert_array_equal(decoded(tmp_path / "a.fits.gz", scratch), expected)
    assert [path.stat().st_size for path in scratch.iterdir()] == [data.nbytes]
    assert (tmp_path / "a.fits.gz").read_bytes() == packed


def test_a_packed_extension(tmp_path, scratch):
    data = np.arange(30, dtype=np.int32).reshape(5, 6)
    hdus = fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(data)])
    hdus.writeto(tmp_path / "dark.fits.gz")
    np.testing.assert_array_equal(decoded(tmp_path / "dark.fits.gz", scratch), data)


@pytest.mark.parametrize(
    "method", ["RICE_1", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1", "NOCOMPRESS"]
)
def test_tile_compressed_integers_are_lossless(tmp_path, scratch, method):
    # FITS Standard 4.0, sections 10.1 to 10.4, from memory; behaviour verified with astropy.
    data = np.random.default_rng(2).integers(0, 2**16, (200, 300)).astype(np.uint16)
    if method == "PLIO_1":  # made for masks: long runs of small numbers
        data = (data[:, :1] % 7 * np.ones((1, 300))).astype(np.int16)
    fits.CompImageHDU(data, compression_type=method).writeto(tmp_path / "dark.fits.fz")
    frame = listed(tmp_path / "dark.fits.fz")
    assert (frame.layout.bitpix, frame.layout.shape) == (16, (200, 300))
    np.testing.assert_array_equal(decoded(frame.path, scratch), data)


def test_tile_compressed_default_tile_is_one_row(tmp_path):
    data = np.zeros((200, 300), np.uint16)
    fits.CompImageHDU(data, compression_type="RICE_1").writeto(tmp_path / "dark.fits.fz")
    with fits.open(tmp_path / "dark.fits.fz", disable_image_compression=True) as hdus:
        header = hdus[1].header
        assert (header["ZTILE1"], header["ZTILE2"], header["ZBITPIX"]) == (300, 1, 16)


def test_tile_compressed_floats_within_their_quantisation(tmp_path, scratch):
    # Steps of σ/q make an error of σ/(q·√12) rms: Pence et al. 2009/2010 (PASP), from memory.
    sigma = 10.0
    data = np.random.default_rng(3).normal(1000, sigma, (200, 300)).astype(np.float32)
    hdu = fits.CompImageHDU(data, compression_type="RICE_1", quantize_level=16)
    hdu.writeto(tmp_path / "dark.fits.fz")
    error = (decoded(tmp_path / "dark.fits.fz", scratch) - data) / sigma
    assert error.std() < 0.02
    assert np.abs(error).max() < 0.05


def test_tile_compressed_blank_and_nan(tmp_path, scratch):
    data = np.arange(600, dtype=np.int32).reshape(20, 30)
    hdu = fits.CompImageHDU(data, compression_type="RICE_1")
    hdu.header["BLANK"] = 5
    hdu.writeto(tmp_path / "dark.fits.fz")
    found = decoded(tmp_path / "dark.fits.fz", scratch)
    np.testing.assert_array_equal(found, np.where(data == 5, np.nan, data))
    floats = np.random.default_rng(4).normal(0, 1, (20, 30)).astype(np.float32)
    floats[3, 4] = np.nan
    fits.CompImageHDU(floats, compression_type="GZIP_2", quantize_level=0).writeto(
        tmp_path / "dark2.fits.fz"
    )
    np.testing.assert_array_equal(decoded(tmp_path / "dark2.fits.fz", scratch), floats)


def test_tiles_inside_gzip(tmp_path, scratch):
    data = np.arange(600, dtype=np.int16).reshape(20, 30)
    fits.CompImageHDU(data, compression_type="RICE_1").writeto(tmp_path / "dark.fits.fz")
    packed = tmp_path / "dark_2.fits.gz"
    packed.write_bytes(gzip.compress((tmp_path / "dark.fits.fz").read_bytes()))
    np.testing.assert_array_equal(decoded(packed, scratch), data)


def test_a_scratch_file_is_made_once_and_again_when_the_frame_changed(tmp_path, scratch):
    path = tmp_path / "dark.fits.gz"
    fits.writeto(path, np.zeros((20, 30), np.uint16))
    first = decode_to_scratch(listed(path), scratch)
    stamp = first.path.stat().st_mtime_ns
    again = decode_to_scratch(listed(path), scratch)
    assert again == first
    assert again.path.stat().st_mtime_ns == stamp
    fits.writeto(path, np.ones((20, 30), np.uint16), overwrite=True)
    other = decode_to_scratch(listed(path), scratch)
    assert other.path != first.path
    assert MappedRows(other).rows(0, 20).all()


def test_two_frames_of_one_name_have_two_scratch_files(tmp_path, scratch):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        fits.writeto(tmp_path / folder / "dark.fits.gz", np.zeros((2, 3), np.uint16))
        decode_to_scratch(listed(tmp_path / folder), scratch)
    assert len(list(scratch.iterdir())) == 2


def test_damaged_packing_leaves_no_file(tmp_path, scratch):
    data = np.random.default_rng(5).integers(0, 65535, (200, 300)).astype(">i2")
    packed = bytearray(gzip.compress(image_bytes(data, card("IMAGETYP", "dark"))))
    packed[len(packed) // 2] ^= 0xFF
    (tmp_path / "a.fits.gz").write_bytes(packed)
    frame = listed(tmp_path / "a.fits.gz")
    with pytest.raises(FrameError, match="damaged"):
        decode_to_scratch(frame, scratch)
    assert list(scratch.iterdir()) == []


def test_a_short_bzip2_and_damaged_tiles(tmp_path, scratch):
    data = np.random.default_rng(6).integers(0, 65535, (200, 300)).astype(np.uint16)
    content = image_bytes(data.astype(">i2"), card("IMAGETYP", "dark"))
    (tmp_path / "a.fits.bz2").write_bytes(bz2.compress(content[:-50_000]))
    with pytest.raises(FrameError, match="truncated"):
        decode_to_scratch(listed(tmp_path / "a.fits.bz2"), scratch)
    tiled = tmp_path / "dark.fits.fz"
    fits.CompImageHDU(data, compression_type="GZIP_1").writeto(tiled)
    content = bytearray(tiled.read_bytes())
    middle = slice(len(content) // 2, len(content) // 2 + 4000)
    content[middle] = bytes(4000)
    tiled.write_bytes(content)
    with pytest.raises(FrameError, match="damaged"):
        decode_to_scratch(listed(tiled), scratch)
    assert list(scratch.iterdir()) == []


def test_a_frame_that_changed_since_it_was_listed(tmp_path, scratch):
    path = tmp_path / "dark.fits.gz"
    fits.writeto(path, np.zeros((20, 30), np.uint16))
    frame = listed(path)
    fits.writeto(path, np.zeros((20, 31), np.uint16), overwrite=True)
    with pytest.raises(FrameError, match="changed"):
        decode_to_scratch(frame, scratch)


def test_finished_pixels_in_blocks(scratch):
    data = np.random.default_rng(7).normal(size=(11, 5)).astype(np.float32)
    data[2, 3] = np.nan
    made = write_scratch((data[a : a + 4] for a in (0, 4, 8)), shape=(11, 5), path=scratch / "x")
    np.testing.assert_array_equal(MappedRows(made).rows(0, 11), data)


@pytest.mark.parametrize("rows", [10, 12])
def test_blocks_that_do_not_make_up_the_shape(scratch, rows):
    with pytest.raises(ValueError, match="rows were written"):
        write_scratch([np.zeros((rows, 5), np.float32)], shape=(11, 5), path=scratch / "x")
    with pytest.raises(ValueError, match="is no part of"):
        write_scratch([np.zeros((11, 4), np.float32)], shape=(11, 5), path=scratch / "x")
    assert list(scratch.iterdir()) == []
