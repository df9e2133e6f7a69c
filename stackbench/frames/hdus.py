"""From a file to the header of its image and the place of its pixels."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from stackbench.frames.cards import Header, HeaderEndError, padded, read_header
from stackbench.frames.errors import FrameError, bad_header, no_image, not_fits, truncated
from stackbench.frames.packing import check_bzip2_end, check_gzip_length, opened
from stackbench.frames.records import PixelLayout, Problem
from stackbench.frames.values import Cards, number, whole_number

BYTES_OF_BITPIX = {8: 1, 16: 2, 32: 4, 64: 8, -32: 4, -64: 8}
# Far above any camera's frame; what promises more is damaged.
MOST_PIXELS = 2**31
_MOST_DATA_BYTES = 2**50
_MOST_HDUS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageHeader:
    """The header of a file's first two-dimensional image.

    `cards` looks into the primary header where the image's own says nothing.
    `stream_offset` is where its data begin in the unpacked file; `tiled` tells
    that they are tile-compressed inside a binary table.
    """

    cards: Header
    layout: PixelLayout
    stream_offset: int
    tiled: bool


def read_image_header(path: Path, size_bytes: int) -> ImageHeader:
    """Find the first two-dimensional image of a file and read its header.

    Parameters
    ----------
    path : Path
        A FITS file, perhaps packed by gzip or bzip2. Opened for reading only.
    size_bytes : int
        Its size, bytes.

    Returns
    -------
    ImageHeader
        Header and layout; `layout.data_offset` is None for packed data.

    Raises
    ------
    FrameError
        If the file cannot be read, is damaged or holds no such image.
    """
    if size_bytes == 0:
        raise FrameError(
            Problem(
                path=path,
                what="The file is empty",
                why="Its size is 0 bytes.",
                remedy="Copy it again from the camera's computer, or delete it.",
            )
        )
    with opened(path) as (stream, packing):
        image = _first_image(path, stream, packed=packing is not None)
        promised = _promised_bytes(image)
        if packing is None:
            if size_bytes < promised:
                raise truncated(path, promised=promised, found=size_bytes)
        elif packing == "bzip2":
            check_bzip2_end(path, size_bytes)
        else:
            check_gzip_length(path, stream, promised)
    return image


def _first_image(path: Path, stream: BinaryIO, *, packed: bool) -> ImageHeader:
    primary: Header | None = None
    seen: list[str] = []
    offset = 0
    for hdu in range(_MOST_HDUS):
        stream.seek(offset)
        if hdu > 0 and not stream.read(1):
            break
        stream.seek(offset)
        cards = _header_at(path, stream, is_first=hdu == 0)
        if cards is None:
            break
        if primary is None:
            primary = cards
        data_offset = offset + cards.size_bytes
        tiled = cards.get("XTENSION") == "BINTABLE" and cards.get("ZIMAGE") is True
        if tiled or hdu == 0 or cards.get("XTENSION") in {"IMAGE", "IUEIMAGE"}:
            shape = _image_shape(path, cards, "Z" if tiled else "")
            if isinstance(shape, tuple):
                layout = _layout(
                    path,
                    cards,
                    hdu=hdu,
                    shape=shape,
                    offset=None if packed or tiled else data_offset,
                    tiled=tiled,
                )
                return ImageHeader(
                    cards=cards.over(primary),
                    layout=layout,
                    stream_offset=data_offset,
                    tiled=tiled,
                )
            seen.append(shape)
        offset = data_offset + padded(_data_bytes(path, cards))
    raise no_image(path, seen)


def _header_at(path: Path, stream: BinaryIO, *, is_first: bool) -> Header | None:
    """Read a header; None where what follows the last HDU is not one."""
    start = stream.read(80)
    if is_first and not start.startswith(b"SIMPLE  ="):
        raise not_fits(path, "It does not begin with the keyword SIMPLE.")
    if not is_first and not start.startswith(b"XTENSION="):
        return None
    stream.seek(-len(start), 1)
    try:
        block = read_header(stream)
    except HeaderEndError as error:
        if not is_first:
            return None
        raise FrameError(
            Problem(
                path=path,
                what="The header never ends",
                why="There is no END card; the file is cut off or damaged.",
                remedy="Copy it again from the camera's computer, or delete it.",
            )
        ) from error
    if is_first and block.get("SIMPLE") is not True:
        raise not_fits(path, "Its header says that it does not keep to the standard (SIMPLE).")
    return block


def _image_shape(path: Path, cards: Cards, prefix: str) -> tuple[int, int] | str:
    """Return (ny, nx) of a two-dimensional image, else words for what it is."""
    axes = _axes(path, cards, prefix)
    if not axes or 0 in axes:
        return "no data"
    if len(axes) == 1:
        return f"one row of {axes[0]} values"
    nx, ny, *others = axes
    if math.prod(others) == 1:
        if nx * ny > MOST_PIXELS:
            raise bad_header(path, f"It promises {nx} × {ny} pixels.")
        return ny, nx
    return "a cube of " + " × ".join(str(size) for size in axes) + " pixels"


def _axes(path: Path, cards: Cards, prefix: str = "") -> list[int]:
    count = whole_number(cards, f"{prefix}NAXIS")
    if count is None or not 0 <= count <= 999:
        raise bad_header(path, f"{prefix}NAXIS is {cards.get(f'{prefix}NAXIS', 'missing')}.")
    sizes = []
    for axis in range(1, count + 1):
        key = f"{prefix}NAXIS{axis}"
        size = whole_number(cards, key)
        if size is None or size < 0:
            raise bad_header(path, f"{key} is {cards.get(key, 'missing')}.")
        sizes.append(size)
    return sizes


def _layout(
    path: Path,
    cards: Cards,
    *,
    hdu: int,
    shape: tuple[int, int],
    offset: int | None,
    tiled: bool,
) -> PixelLayout:
    bitpix = _bitpix(path, cards, "Z" if tiled else "")
    bscale = number(cards, "BSCALE")
    if bscale == 0:
        raise bad_header(path, "BSCALE is 0, so all pixels would be equal.")
    blank = whole_number(cards, "BLANK") if bitpix > 0 else None
    if tiled and bitpix > 0 and blank is None:
        blank = whole_number(cards, "ZBLANK")
    bzero = number(cards, "BZERO")
    return PixelLayout(
        hdu=hdu,
        shape=shape,
        bitpix=bitpix,
        bzero=0.0 if bzero is None else bzero,
        bscale=1.0 if bscale is None else bscale,
        blank=blank,
        data_offset=offset,
    )


def _bitpix(path: Path, cards: Cards, prefix: str = "") -> int:
    bitpix = whole_number(cards, f"{prefix}BITPIX")
    if bitpix not in BYTES_OF_BITPIX:
        stated = cards.get(f"{prefix}BITPIX", "missing")
        raise bad_header(path, f"{prefix}BITPIX is {stated}, which FITS does not know.")
    return bitpix


def _data_bytes(path: Path, cards: Cards) -> int:
    """Bytes of an HDU's data (FITS Standard 3.0, equations 4.1, 4.2 and 6.1)."""
    axes = _axes(path, cards)
    if not axes:
        return 0
    if cards.get("GROUPS") is True and axes[0] == 0:
        axes = axes[1:]  # random groups
    extra, groups = whole_number(cards, "PCOUNT") or 0, whole_number(cards, "GCOUNT")
    count = (1 if groups is None else groups) * (extra + math.prod(axes))
    size = max(0, count) * BYTES_OF_BITPIX[_bitpix(path, cards)]
    if size > _MOST_DATA_BYTES:
        raise bad_header(path, f"It promises {size} bytes of data.")
    return size


def pixel_bytes(layout: PixelLayout) -> int:
    """Return the bytes that an image's pixels take, unpacked and unpadded.

    Parameters
    ----------
    layout : PixelLayout
        Shape and pixel type.

    Returns
    -------
    int
        Bytes.
    """
    ny, nx = layout.shape
    return ny * nx * BYTES_OF_BITPIX[layout.bitpix]


def _promised_bytes(image: ImageHeader) -> int:
    if not image.tiled:
        return image.stream_offset + pixel_bytes(image.layout)
    row, rows = (whole_number(image.cards, f"NAXIS{axis}") or 0 for axis in (1, 2))
    return image.stream_offset + row * rows + (whole_number(image.cards, "PCOUNT") or 0)
