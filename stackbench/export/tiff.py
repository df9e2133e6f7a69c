"""Channels as TIFF files that any picture editor opens.

A FITS image has its first row at the bottom, a TIFF at the top: rows are
flipped on the way, so that both show the same picture.
"""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.export.blocks import ProductError
from stackbench.export.files import replacing
from stackbench.export.levels import Scale, as_uint16, shown
from stackbench.export.provenance import CREATOR
from stackbench.export.text import ascii_text
from stackbench.export.tiffdepth import TiffDepth

_ORIENTATION = (274, "H", 1, 1, True)  # tag, type, count, top left, as TIFF 6.0 counts
_POINTS = re.compile(r"black point (\S+) ADU, white point (\S+) ADU")
_SOFTNESS = re.compile(r", a = (\S+), ")


@dataclass(frozen=True, slots=True, kw_only=True)
class TiffForm:
    """How a channel was written as TIFF, as its file tells."""

    depth: TiffDepth
    scale: Scale
    title: str


def write_tiff(
    path: Path,
    image: NDArray[np.float32],
    *,
    scale: Scale,
    depth: TiffDepth = TiffDepth.UINT16,
    title: str = "",
) -> None:
    """Write a channel as a grayscale TIFF, uncompressed.

    Black is 0 and white 65535, or 0.0 and 1.0 in float32; undefined pixels
    are black. The description tells how to get ADU back.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    image : ndarray, shape (ny, nx), float32
        The channel, ADU, row 0 at the bottom; NaN where undefined. Not
        modified.
    scale : Scale
        Black and white; the same for all channels of a target, so that their
        ratios survive.
    depth : TiffDepth
        16-bit whole numbers or 32-bit floating point.
    title : str
        What the picture shows, for the description.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    import tifffile  # takes long to load and is wanted by an export only

    pixels = shown(image, scale)
    stored = as_uint16(pixels) if depth is TiffDepth.UINT16 else pixels
    with replacing(path) as stream:
        tifffile.imwrite(
            stream,
            stored[::-1],
            photometric="minisblack",
            byteorder="<",
            metadata=None,
            description=describe(scale, depth=depth, title=title),
            software=CREATOR,
            resolution=(72, 72),
            resolutionunit="INCH",
            extratags=[_ORIENTATION],
            rowsperstrip=max(1, (1 << 20) // max(image.shape[1] * stored.itemsize, 1)),
        )


def describe(scale: Scale, *, depth: TiffDepth, title: str) -> str:
    """State in words how the numbers of a TIFF relate to ADU.

    Parameters
    ----------
    scale : Scale
        Black, white and softness.
    depth : TiffDepth
        How a pixel is stored.
    title : str
        What the picture shows.

    Returns
    -------
    str
        ASCII text, lines ended by a line feed.
    """
    top = 65535 if depth is TiffDepth.UINT16 else 1
    curve = (
        f"linear: ADU = {scale.black!r} + value / {top} * ({scale.white!r} - ({scale.black!r}))"
        if scale.softness is None
        else f"stretched: value / {top} = asinh(x / a) / asinh(1 / a), a = {scale.softness!r}, "
        f"x = (ADU - ({scale.black!r})) / ({scale.white!r} - ({scale.black!r}))"
    )
    lines = [
        ascii_text(title),
        f"black point {scale.black!r} ADU, white point {scale.white!r} ADU",
        curve,
        "undefined pixels are 0; the top row here is the last row of the FITS file",
    ]
    return "\n".join(line for line in lines if line)


def tiff_form(path: Path) -> TiffForm:
    """Tell how a channel's TIFF was written, so that it can be written again otherwise.

    Parameters
    ----------
    path : Path
        A file of `write_tiff`.

    Returns
    -------
    TiffForm
        Depth, scale and title.

    Raises
    ------
    ProductError
        If the file is no such TIFF.
    OSError
        If it cannot be read.
    """
    import tifffile  # takes long to load and is wanted by an export only

    try:
        with tifffile.TiffFile(path) as file:
            page = file.pages.first
            description, dtype = page.description, page.dtype
    except tifffile.TiffFileError as error:
        raise ProductError(f"{path}: {error}") from error
    points, softness = _POINTS.search(description), _SOFTNESS.search(description)
    if points is None or dtype not in (np.uint16, np.float32):
        raise ProductError(f"{path} is not the TIFF file of a channel")
    title = description.partition("\n")[0]
    return TiffForm(
        depth=TiffDepth.UINT16 if dtype == np.uint16 else TiffDepth.FLOAT32,
        scale=Scale(
            black=float(points[1]),
            white=float(points[2]),
            softness=None if softness is None else float(softness[1]),
        ),
        title="" if title.startswith("black point") else title,
    )
