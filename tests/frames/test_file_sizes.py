"""Sizes of files by the standard: whole blocks of 2880 bytes, of which the last is filled.

Nbits = |BITPIX| · Π NAXISn: FITS Standard 3.0, equation 4.2; RFC 4047, section 4.1.
"""

import numpy as np
import pytest
from astropy.io import fits

from stackbench.frames.scan import scan_folders
from tests.support.fitsbytes import card, header, image_cards

SHAPE = (2822, 4144)
DATA_BYTES, PADDED_BYTES = 23_388_736, 23_391_360


def sparse(path, size):
    """Write a header of a 4144 × 2822 × 16 bit light, and as many bytes of nothing."""
    cards = image_cards(np.empty((0, 0), ">i2"), card("IMAGETYP", "LIGHT"), shape=SHAPE)
    with path.open("wb") as file:
        file.write(header(*cards))
        file.truncate(2880 + size)


@pytest.mark.parametrize("size", [DATA_BYTES, PADDED_BYTES])
def test_a_file_that_holds_all_its_pixels_is_whole(tmp_path, size):
    sparse(tmp_path / "a.fits", size)
    scan = scan_folders([tmp_path])
    assert [frame.layout.shape for frame in scan.frames] == [SHAPE]
    assert scan.problems == ()


def test_one_byte_less_is_truncated(tmp_path):
    sparse(tmp_path / "a.fits", DATA_BYTES - 1)
    scan = scan_folders([tmp_path])
    assert scan.frames == ()
    assert scan.problems[0].what == "The file is truncated"
    assert str(2880 + DATA_BYTES) in scan.problems[0].why


def test_the_fill_is_that_of_astropy(tmp_path):
    assert 8122 * 2880 == PADDED_BYTES == DATA_BYTES + 2624
    fits.writeto(tmp_path / "dark.fits", np.zeros((1, 5), np.uint16))
    assert (tmp_path / "dark.fits").stat().st_size == 5760
    (frame,) = scan_folders([tmp_path]).frames
    assert (frame.layout.data_offset, frame.layout.bzero) == (2880, 32768)
