"""FITS images written in one pass, with checksums, and read back fast.

The pixels are brought into the file's byte order, summed and written by bands
that fit the processor's cache, so that writing is as fast as the disk.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from stackbench.export.cards import Card, header_bytes
from stackbench.frames.cards import Header, HeaderEndError, padded, read_header

_BITPIX = {"f4": -32, "u1": 8, "i2": 16, "i4": 32}
_DTYPES = {bitpix: np.dtype(f">{code}") for code, bitpix in _BITPIX.items()}
_BAND_BYTES = 1 << 20
_EMPTY_CHECKSUM = "0" * 16


class ProductError(ValueError):
    """A file is not a whole product of ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """One image of a product, and its header.

    `image` has shape (ny, nx) in the machine's own byte order: float32, or
    the integer type it was written with. `header` maps keywords to values,
    HISTORY left out.
    """

    image: NDArray[Any]
    header: Mapping[str, object]


def write_hdu(
    stream: BinaryIO, *, image: NDArray[Any], cards: Sequence[Card], name: str = ""
) -> None:
    """Append one image with its header to a FITS file.

    Parameters
    ----------
    stream : BinaryIO
        Open for writing and seeking, at the end of the file.
    image : ndarray, shape (ny, nx)
        float32, uint8, int16 or int32. Not modified; any strides.
    cards : sequence of (keyword, value, comment)
        What the header says beyond the structure of the image.
    name : str
        The extension's name, EXTNAME; empty for the primary image.

    Raises
    ------
    ValueError
        If `image` is not two-dimensional or of another type.
    """
    code = image.dtype.str[1:]
    if image.ndim != 2 or code not in _BITPIX:
        raise ValueError(f"no such FITS image: shape {image.shape}, type {image.dtype}")
    start = stream.tell()
    head = [*_structure(image, _BITPIX[code], name), *cards]
    stream.write(header_bytes([*head, *_sums(_EMPTY_CHECKSUM, 0)]))
    data_sum = _write_pixels(stream, image)
    end = stream.tell()
    # CHECKSUM makes the sum over the whole HDU all ones (FITS Standard 4.0, section 4.4.2.7)
    zeroed = header_bytes([*head, *_sums(_EMPTY_CHECKSUM, data_sum)])
    whole = _folded(_word_sum(zeroed) + data_sum)
    stream.seek(start)
    stream.write(header_bytes([*head, *_sums(encode_checksum(whole), data_sum)]))
    stream.seek(end)


def read_part(
    path: Path, *, rows: tuple[int, int], columns: tuple[int, int], name: str = ""
) -> NDArray[Any]:
    """Read a part of one image of a product that `write_hdu` made.

    Parameters
    ----------
    path : Path
        The product.
    rows, columns : tuple of int
        First and the one after the last, within the image.
    name : str
        The extension to read, by EXTNAME; empty for the primary image.

    Returns
    -------
    ndarray, shape (rows, columns)
        In the machine's own byte order; only its rows are read of the file.

    Raises
    ------
    ProductError
        If the file holds no such image, or is cut short.
    OSError
        If the file cannot be opened or read.
    """
    with path.open("rb") as stream:
        _, dtype, (_, nx) = _find(stream, path, name)
        stream.seek(rows[0] * nx * dtype.itemsize, 1)
        part = _read_pixels(stream, path, dtype, (rows[1] - rows[0], nx), None)
    return part[:, slice(*columns)]


def read_hdu(path: Path, *, name: str = "", verify: bool = True) -> Product:
    """Read one image of a product that `write_hdu` made.

    Parameters
    ----------
    path : Path
        The product.
    name : str
        The extension to read, by EXTNAME; empty for the primary image.
    verify : bool
        Compare the pixels with their DATASUM, so that a file torn by a crash
        or changed since is not taken for whole.

    Returns
    -------
    Product
        Its pixels and its header.

    Raises
    ------
    ProductError
        If the file holds no such image, is cut short, or its sum is wrong.
    OSError
        If the file cannot be opened or read.
    """
    with path.open("rb") as stream:
        header, dtype, shape = _find(stream, path, name)
        image = _read_pixels(stream, path, dtype, shape, header if verify else None)
    return Product(image=image, header=header)


def encode_checksum(total: int, *, complement: bool = True) -> str:
    """Spell a 32-bit sum as the sixteen letters and digits of CHECKSUM.

    Parameters
    ----------
    total : int
        The 32-bit ones'-complement sum of the HDU, CHECKSUM counted as
        sixteen characters '0'.
    complement : bool
        Spell the complement of the sum, as the keyword CHECKSUM wants it.

    Returns
    -------
    str
        Sixteen letters and digits.

    References
    ----------
    Seaman, Pence & Rots, FITS checksum convention; FITS Standard 4.0,
    section 4.4.2.7 and appendix J.
    """
    value = 0xFFFFFFFF - total if complement else total
    letters = [[0] * 4 for _ in range(4)]
    for column in range(4):
        byte = value >> (24 - 8 * column) & 0xFF
        quotient, rest = divmod(byte, 4)
        spelled = [quotient + rest + ord("0"), *[quotient + ord("0")] * 3]
        # punctuation is avoided by moving two letters apart, which keeps their sum
        while any(_is_punctuation(letter) for letter in spelled):
            for i in (0, 2):
                if _is_punctuation(spelled[i]) or _is_punctuation(spelled[i + 1]):
                    spelled[i] += 1
                    spelled[i + 1] -= 1
        for row in range(4):
            letters[row][column] = spelled[row]
    text = "".join(chr(letter) for row in letters for letter in row)
    return text[-1] + text[:-1]  # the value starts one byte off the word boundary


def _is_punctuation(letter: int) -> bool:
    return 0x3A <= letter <= 0x40 or 0x5B <= letter <= 0x60


def _structure(image: NDArray[Any], bitpix: int, name: str) -> list[Card]:
    ny, nx = image.shape
    first: Card = ("XTENSION", "IMAGE", "image extension") if name else ("SIMPLE", True, "")
    cards: list[Card] = [
        first,
        ("BITPIX", bitpix, "bits of a pixel; negative: floating point"),
        ("NAXIS", 2, ""),
        ("NAXIS1", nx, "columns"),
        ("NAXIS2", ny, "rows"),
    ]
    if name:
        return [*cards, ("PCOUNT", 0, ""), ("GCOUNT", 1, ""), ("EXTNAME", name, "")]
    return [*cards, ("EXTEND", True, "extensions may follow")]


def _sums(checksum: str, data_sum: int) -> list[Card]:
    return [
        ("CHECKSUM", checksum, "makes the sum over this HDU all ones"),
        ("DATASUM", str(data_sum), "32-bit sum over the pixels"),
    ]


def _write_pixels(stream: BinaryIO, image: NDArray[Any]) -> int:
    ny, nx = image.shape
    file_type = image.dtype.newbyteorder(">")
    # whole words of four bytes in every band, whatever the width
    step = max(4, _BAND_BYTES // max(nx * image.dtype.itemsize, 1) // 4 * 4)
    room = np.empty((min(step, ny), nx), dtype=file_type)
    total = 0
    for row in range(0, ny, step):
        band = room[: min(step, ny - row)]
        band[...] = image[row : row + step]
        total += _word_sum(band.tobytes() if band.nbytes % 4 else band)
        stream.write(band.data)
    size = ny * nx * image.dtype.itemsize
    stream.write(bytes(padded(size) - size))
    return _folded(total)


def _word_sum(data: bytes | NDArray[Any]) -> int:
    if isinstance(data, bytes):
        data = np.frombuffer(data + bytes(-len(data) % 4), dtype=np.uint8)
    return int(data.reshape(-1).view(">u4").sum(dtype=np.uint64))


def _folded(total: int) -> int:
    """Bring a sum to 32 bits as ones' complement does: carries are added at the low end."""
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


def _find(stream: BinaryIO, path: Path, name: str) -> tuple[Header, np.dtype[Any], tuple[int, int]]:
    """Go to the pixels of an image."""
    while True:
        header = _read_header(stream, path)
        dtype, shape = _layout(header, path)
        if str(header.get("EXTNAME", "")) == name:
            return header, dtype, shape
        stream.seek(padded(shape[0] * shape[1] * dtype.itemsize), 1)


def _read_header(stream: BinaryIO, path: Path) -> Header:
    try:
        return read_header(stream)
    except HeaderEndError as error:
        raise ProductError(f"{path}: the file ends before the image looked for") from error


def _layout(header: Mapping[str, object], path: Path) -> tuple[np.dtype[Any], tuple[int, int]]:
    bitpix, nx, ny = (header.get(key) for key in ("BITPIX", "NAXIS1", "NAXIS2"))
    if (
        header.get("NAXIS") != 2
        or not isinstance(bitpix, int)
        or bitpix not in _DTYPES
        or not isinstance(nx, int)
        or not isinstance(ny, int)
        or min(nx, ny) < 0
    ):
        raise ProductError(f"{path}: not an image as this program writes it")
    return _DTYPES[bitpix], (ny, nx)


def _read_pixels(
    stream: BinaryIO,
    path: Path,
    dtype: np.dtype[Any],
    shape: tuple[int, int],
    verified: Mapping[str, object] | None,
) -> NDArray[Any]:
    count = shape[0] * shape[1]
    # checked first, so that a header alone cannot make us ask for all the memory
    if path.stat().st_size < stream.tell() + count * dtype.itemsize:
        raise ProductError(f"{path}: the file is cut short")
    pixels = np.fromfile(stream, dtype=dtype, count=count)
    if verified is not None:
        whole = pixels if pixels.nbytes % 4 == 0 else pixels.tobytes()
        if str(_folded(_word_sum(whole))) != verified.get("DATASUM"):
            raise ProductError(f"{path}: the pixels do not match their checksum")
    if not dtype.isnative:
        pixels = pixels.byteswap(inplace=True).view(dtype.newbyteorder("="))
    return pixels.reshape(shape)
