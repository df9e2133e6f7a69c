"""Small stretched pictures of channels, to look at and for the report."""

import base64
import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.export.files import replacing
from stackbench.export.levels import picture_scale, shown

_WIDEST = 2048
# zlib's Z_RLE: of noise, longer repetitions are not worth looking for, and without
# the search a picture is as small in two thirds of the time.
_RUNS_ONLY = 3


def write_preview(path: Path, image: NDArray[np.float32], *, widest: int = _WIDEST) -> None:
    """Write a stretched grayscale PNG of a channel.

    Pixels are averaged, rows are flipped (row 0 of the image is at the
    bottom), and the stretch follows the sky and noise of what is shown.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    image : ndarray, shape (ny, nx), float32
        ADU; NaN where undefined, shown black. Not modified.
    widest : int
        The picture's longer side at most, pixels.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    from PIL import Image  # wanted by an export only

    small = averaged(image, factor=-(-max(image.shape) // widest) or 1)
    # the stretch is decided on what will be seen: averaging lowers the noise
    grey = shown(small, picture_scale(small))
    pixels = (grey[::-1] * np.float32(255.0) + np.float32(0.5)).astype(np.uint8)
    with replacing(path) as stream:
        Image.fromarray(pixels).save(stream, format="PNG", compress_type=_RUNS_ONLY)


def averaged(image: NDArray[np.float32], *, factor: int) -> NDArray[np.float32]:
    """Average blocks of factor × factor pixels, undefined ones left out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        ADU; NaN where undefined. Not modified.
    factor : int
        The side of a block; 1 returns the image as it is. Blocks at the last
        rows and columns may be smaller.

    Returns
    -------
    ndarray, shape (ceil(ny / factor), ceil(nx / factor)), float32
        NaN where a whole block is undefined.
    """
    if factor <= 1:
        return image
    # imported here: a report wants this module and must not load the compiler
    from stackbench.export.averaging import average_blocks

    ny, nx = image.shape
    result = np.empty((-(-ny // factor), -(-nx // factor)), dtype=np.float32)
    average_blocks(np.ascontiguousarray(image), factor, np.empty(nx), result)
    return result


def embedded(path: Path, *, widest: int = 640) -> str | None:
    """Read a preview back, small enough to sit inside a page.

    Parameters
    ----------
    path : Path
        A PNG that `write_preview` made.
    widest : int
        Its longer side at most, pixels.

    Returns
    -------
    str or None
        A data address that holds the picture; None when the file is not there.
    """
    from PIL import Image  # wanted by a report with pictures only

    if not path.is_file():
        return None
    with Image.open(path) as picture:
        small = picture.reduce(-(-max(picture.size) // widest) or 1)
    buffer = io.BytesIO()
    small.save(buffer, format="PNG", compress_type=_RUNS_ONLY)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
