"""TIFF files, taken apart by a small reader of our own."""

import struct
from pathlib import Path

import numpy as np
import pytest
import tifffile
from numpy.typing import NDArray

from stackbench.export.blocks import ProductError
from stackbench.export.files import WriteError
from stackbench.export.levels import Scale
from stackbench.export.tiff import TiffForm, tiff_form, write_tiff
from stackbench.export.tiffdepth import TiffDepth

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8}
_CODES = {1: "B", 2: "s", 3: "H", 4: "I"}
# TIFF 6.0, 3 June 1992, section 4, page 22: what a grayscale image must say
# (read in a stored copy; the header's bytes from memory)
_REQUIRED = [256, 257, 258, 259, 262, 273, 278, 279, 282, 283, 296]


def _tags(data: bytes) -> tuple[list[int], dict[int, list[int] | bytes]]:
    """Read the tags of the first image, after TIFF 6.0 section 2."""
    assert data[:4] == b"\x49\x49\x2a\x00"
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    order, tags = [], {}
    for i in range(count):
        at = start + 2 + 12 * i
        tag, kind, number = struct.unpack_from("<HHI", data, at)
        size = _SIZES[kind] * number
        where = at + 8 if size <= 4 else struct.unpack_from("<I", data, at + 8)[0]
        order.append(tag)
        if kind == 2:
            tags[tag] = data[where : where + number]
        elif kind == 5:
            tags[tag] = list(struct.unpack_from(f"<{2 * number}I", data, where))
        else:
            tags[tag] = list(struct.unpack_from(f"<{number}{_CODES[kind]}", data, where))
    return order, tags


def _pixels(data: bytes, dtype: str) -> NDArray[np.generic]:
    _, tags = _tags(data)
    strips = [data[start : start + size] for start, size in zip(tags[273], tags[279], strict=True)]
    flat = np.frombuffer(b"".join(strips), dtype=dtype)
    return flat.reshape(tags[257][0], tags[256][0])


@pytest.fixture
def ramp() -> NDArray[np.float32]:
    image = np.linspace(100, 500, 700 * 900, dtype=np.float32).reshape(700, 900)
    image[0, 0], image[2, 3] = 500, np.nan
    return image


@pytest.mark.parametrize(
    ("depth", "bits", "sample_format"), [(TiffDepth.UINT16, 16, 1), (TiffDepth.FLOAT32, 32, 3)]
)
def test_all_required_tags_are_there_in_order(
    tmp_path: Path, ramp: NDArray[np.float32], depth: TiffDepth, bits: int, sample_format: int
) -> None:
    # 16 bits are outside Baseline TIFF, and read everywhere (common practice, no source)
    path = tmp_path / "a.tif"
    write_tiff(path, ramp, scale=Scale(black=100, white=500), depth=depth)
    order, tags = _tags(path.read_bytes())
    assert order == sorted(order)
    assert set(_REQUIRED) <= set(order)
    assert (tags[256], tags[257]) == ([900], [700])
    assert (tags[258], tags[259], tags[262]) == ([bits], [1], [1])
    # SampleFormat and Orientation: TIFF 6.0 sections 19 and 8 (from memory)
    # where SampleFormat is not given, it is 1, unsigned
    assert tags.get(339, [1]) == [sample_format]
    assert tags[274] == [1]
    assert len(tags[273]) == len(tags[279]) > 1


def test_the_first_row_of_fits_is_the_last_of_tiff(
    tmp_path: Path, ramp: NDArray[np.float32]
) -> None:
    # rows are shown from the bottom in FITS (common practice, no source)
    path = tmp_path / "a.tif"
    write_tiff(path, ramp, scale=Scale(black=100, white=500))
    stored = _pixels(path.read_bytes(), "<u2")
    assert stored[-1, 0] == 65535
    assert stored[-3, 3] == 0  # undefined is black
    expected = np.floor((ramp.astype(float)[::-1] - 100) / 400 * 65535 + 0.5)
    defined = np.isfinite(expected)
    assert np.abs(stored - expected)[defined].max() <= 1
    np.testing.assert_array_equal(tifffile.imread(path), stored)


def test_float_is_from_zero_to_one(tmp_path: Path, ramp: NDArray[np.float32]) -> None:
    path = tmp_path / "a.tif"
    write_tiff(path, ramp, scale=Scale(black=100, white=500), depth=TiffDepth.FLOAT32)
    stored = _pixels(path.read_bytes(), "<f4")
    assert stored.min() == 0
    assert stored.max() == 1
    assert stored[-3, 3] == 0


def test_the_description_tells_how_to_get_adu_back(
    tmp_path: Path, ramp: NDArray[np.float32]
) -> None:
    path = tmp_path / "a.tif"
    write_tiff(path, ramp, scale=Scale(black=-3.5, white=500), title="M 51/α <b>\n=1+1")
    _, tags = _tags(path.read_bytes())
    text = bytes(tags[270]).rstrip(b"\0").decode("ascii")
    assert text.splitlines()[0] == "M 51/alpha <b> =1+1"
    assert "black point -3.5 ADU, white point 500 ADU" in text
    assert "linear: ADU = -3.5 + value / 65535 * (500 - (-3.5))" in text
    assert "the top row here is the last row of the FITS file" in text
    assert bytes(tags[305]).startswith(b"stackbench ")
    write_tiff(path, ramp, scale=Scale(black=0.0, white=500.0, softness=0.1))
    _, tags = _tags(path.read_bytes())
    assert b"asinh(x / a) / asinh(1 / a), a = 0.1" in bytes(tags[270])


def test_a_full_disk_leaves_the_old_file(
    tmp_path: Path, ramp: NDArray[np.float32], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.tif"
    path.write_bytes(b"old")

    def full(*_args: object, **_options: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tifffile, "imwrite", full)
    with pytest.raises(WriteError, match="the disk is full"):
        write_tiff(path, ramp, scale=Scale(black=0, white=1))
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.tif"]


@pytest.mark.parametrize("depth", list(TiffDepth))
@pytest.mark.parametrize("softness", [None, 0.0123])
@pytest.mark.parametrize("title", ["Vale, L, 12 subs", ""])
def test_a_file_tells_how_it_was_written(tmp_path, depth, softness, title):
    scale = Scale(black=-12.25, white=61234.1, softness=softness)
    image = np.linspace(0, 60000, 12, dtype=np.float32).reshape(3, 4)
    write_tiff(tmp_path / "one.tif", image, scale=scale, depth=depth, title=title)
    assert tiff_form(tmp_path / "one.tif") == TiffForm(depth=depth, scale=scale, title=title)


def test_another_tiff_is_refused(tmp_path):
    tifffile.imwrite(tmp_path / "other.tif", np.zeros((3, 4), np.uint16))
    with pytest.raises(ProductError, match="not the TIFF file of a channel"):
        tiff_form(tmp_path / "other.tif")
    (tmp_path / "text.tif").write_text("nothing")
    with pytest.raises(ProductError):
        tiff_form(tmp_path / "text.tif")
