"""FITS images: bytes and checksums against the standard and astropy."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from stackbench.export.blocks import ProductError, encode_checksum, read_hdu, read_part, write_hdu
from stackbench.export.files import replacing


def _write(path: Path, *images: NDArray[Any]) -> None:
    with replacing(path) as stream:
        for number, image in enumerate(images):
            write_hdu(
                stream,
                image=image,
                cards=[("OBJECT", "field", "")],
                name=f"PLANE{number}" if number else "",
            )


def _whole_sum(data: bytes) -> int:
    total = sum(int.from_bytes(data[i : i + 4], "big") for i in range(0, len(data), 4))
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


def test_checksum_is_spelled_as_published() -> None:
    # Seaman, Pence & Rots, checksum convention, worked example (R,
    # heasarc.gsfc.nasa.gov/docs/heasarc/ofwg/docs/general/checksum/node14.html)
    assert 0xFFFFFFFF - 868229149 == 3426738146
    assert encode_checksum(868229149) == "hcHjjc9ghcEghc9g"


def test_the_sum_over_every_hdu_is_all_ones(tmp_path: Path) -> None:
    # FITS Standard 4.0 section 4.4.2.7 (R, same pages, node3 and node4)
    rng = np.random.default_rng(1)
    path = tmp_path / "a.fits"
    image = rng.normal(1000, 30, (61, 47)).astype(np.float32)
    _write(path, image)
    data = path.read_bytes()
    assert len(data) % 2880 == 0
    assert _whole_sum(data) == 0xFFFFFFFF


def test_bytes_of_the_unsigned_16_bit_example(tmp_path: Path) -> None:
    # unsigned 0, 1, 32767, 32768, 65535 less 32768, most significant byte first (FITS
    # Standard 4.0 table 11 and section 5.2, from memory); bytes and sums verified by
    # hand: DATASUM 4294868994, two blocks, all ones over the whole
    path = tmp_path / "a.fits"
    _write(path, np.array([[-32768, -32767, -1, 0, 32767]], dtype=np.int16))
    data = path.read_bytes()
    assert len(data) == 5760
    assert data[2880:2890] == bytes.fromhex("8000 8001 FFFF 0000 7FFF")
    assert data[2890:] == bytes(2870)
    assert _whole_sum(data[2880:]) == 4294868994
    assert b"DATASUM = '4294868994'" in data[:2880]
    assert _whole_sum(data) == 0xFFFFFFFF


def test_astropy_verifies_structure_checksum_and_pixels(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    planes = [
        rng.normal(0, 1, (33, 21)).astype(np.float32),
        rng.integers(0, 256, (33, 21)).astype(np.uint8),
        rng.integers(-32768, 32767, (33, 21)).astype(np.int16),
        rng.integers(-(2**31), 2**31 - 1, (33, 21)).astype(np.int32),
    ]
    planes[0][3, 4] = np.nan
    path = tmp_path / "a.fits"
    _write(path, *planes)
    # checksum=True warns on a mismatch, and warnings are errors here
    with fits.open(path, checksum=True) as hdus:
        hdus.verify("exception")
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "PLANE1", "PLANE2", "PLANE3"]
        for hdu, plane in zip(hdus, planes, strict=True):
            assert hdu.verify_checksum() == 1
            assert hdu.verify_datasum() == 1
            np.testing.assert_array_equal(hdu.data, plane)
    for number, plane in enumerate(planes):
        product = read_hdu(path, name=f"PLANE{number}" if number else "")
        assert product.image.dtype == plane.dtype
        assert product.image.dtype.isnative
        np.testing.assert_array_equal(product.image, plane)
        assert product.header["OBJECT"] == "field"


@settings(max_examples=40, deadline=None)
@given(
    image=hnp.arrays(
        dtype=st.sampled_from([np.float32, np.uint8, np.int16, np.int32]),
        shape=hnp.array_shapes(min_dims=2, max_dims=2, max_side=9),
    )
)
def test_any_image_makes_the_round_trip(
    tmp_path_factory: pytest.TempPathFactory, image: NDArray[Any]
) -> None:
    path = tmp_path_factory.mktemp("round") / "a.fits"
    _write(path, image)
    np.testing.assert_array_equal(read_hdu(path).image, image)
    with fits.open(path, checksum=True) as hdus:
        assert hdus[0].verify_checksum() == 1


def test_many_bands_and_a_view_are_written_like_one(tmp_path: Path) -> None:
    # wider than one band of the writer; every second row and column of a larger image
    whole = np.arange(900 * 1400, dtype=np.float32).reshape(900, 1400)
    _write(tmp_path / "view.fits", whole[::2, 3::2])
    _write(tmp_path / "copy.fits", whole[::2, 3::2].copy())
    assert (tmp_path / "view.fits").read_bytes() == (tmp_path / "copy.fits").read_bytes()
    assert _whole_sum((tmp_path / "view.fits").read_bytes()) == 0xFFFFFFFF


def test_a_torn_file_is_not_taken_for_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    _write(path, np.arange(4000, dtype=np.float32).reshape(40, 100))
    data = path.read_bytes()
    path.write_bytes(data[:9000])
    with pytest.raises(ProductError, match="cut short"):
        read_hdu(path)
    path.write_bytes(data[:100])
    with pytest.raises(ProductError, match="ends before"):
        read_hdu(path)
    damaged = bytearray(data)
    damaged[2880 + 777] ^= 1
    path.write_bytes(damaged)
    with pytest.raises(ProductError, match="checksum"):
        read_hdu(path)
    assert read_hdu(path, verify=False).image.shape == (40, 100)


def test_other_files_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(b"no header at all ".ljust(2880))
    with pytest.raises(ProductError):
        read_hdu(path)
    _write(path, np.zeros((2, 2), dtype=np.float32))
    with pytest.raises(ProductError, match="ends before"):
        read_hdu(path, name="NOISE")
    fits.PrimaryHDU(np.zeros((2, 2, 2), dtype=np.float32)).writeto(path, overwrite=True)
    with pytest.raises(ProductError, match="not an image"):
        read_hdu(path)


def test_a_header_that_promises_too_much_asks_for_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    _write(path, np.zeros((2, 2), dtype=np.float32))
    data = path.read_bytes().replace(
        b"NAXIS1  =                    2", b"NAXIS1  =        1000000000000"
    )
    path.write_bytes(data)
    with pytest.raises(ProductError, match="cut short"):
        read_hdu(path)


@pytest.mark.parametrize("image", [np.zeros(3, dtype=np.float32), np.zeros((2, 2))])
def test_only_the_known_types_are_written(tmp_path: Path, image: NDArray[Any]) -> None:
    with pytest.raises(ValueError, match="no such FITS image"):
        _write(tmp_path / "a.fits", image)
    assert list(tmp_path.iterdir()) == []


def test_a_part_is_read_as_it_lies_in_the_whole(tmp_path: Path) -> None:
    path = tmp_path / "two.fits"
    first = np.arange(35, dtype=np.float32).reshape(5, 7)
    second = np.arange(35, dtype=np.int16).reshape(5, 7) * 3
    with replacing(path) as stream:
        write_hdu(stream, image=first, cards=[])
        write_hdu(stream, image=second, cards=[], name="COVERAGE")
    part = read_part(path, rows=(1, 4), columns=(2, 7))
    np.testing.assert_array_equal(part, first[1:4, 2:7])
    part = read_part(path, rows=(4, 5), columns=(0, 1), name="COVERAGE")
    np.testing.assert_array_equal(part, second[4:, :1])
    with pytest.raises(ProductError, match="ends before"):
        read_part(path, rows=(0, 1), columns=(0, 1), name="NOISE")
