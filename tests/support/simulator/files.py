"""Writing raw frames, row block by row block, so that the same night gives the same bytes."""

import bz2
import gzip
from collections.abc import Iterable
from pathlib import Path
from typing import IO

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

Rows = Iterable[NDArray[np.uint16]]


def write_frame(path: Path, header: fits.Header, rows: Rows, *, shape: tuple[int, int]) -> None:
    """Write unsigned 16-bit rows as a FITS file, packed as the name's suffix says.

    Parameters
    ----------
    path : Path
        File to make; .gz, .bz2 and .fz (tile-compressed, Rice) are packed.
    header : Header
        Cards that follow those of the layout.
    rows : iterable of ndarray, shape (n, nx), uint16
        Blocks of rows, together `shape`.
    shape : tuple of int
        The frame's (ny, nx).
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".fz":
        image = np.empty(shape, dtype=np.uint16)
        top = 0
        for block in rows:
            image[top : top + len(block)] = block
            top += len(block)
        packed = fits.CompImageHDU(image, header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), packed]).writeto(path)
        return
    with path.open("xb") as file:
        if path.suffix == ".gz":
            # neither name nor time goes into the packed file
            with gzip.GzipFile("", "wb", 6, file, mtime=0) as packed_file:
                _write_plain(packed_file, header, rows, shape)
        elif path.suffix == ".bz2":
            with bz2.BZ2File(file, "wb") as packed_file:
                _write_plain(packed_file, header, rows, shape)
        else:
            _write_plain(file, header, rows, shape)


def _write_plain(
    file: IO[bytes] | gzip.GzipFile | bz2.BZ2File,
    header: fits.Header,
    rows: Rows,
    shape: tuple[int, int],
) -> None:
    layout = fits.Header()
    layout["SIMPLE"], layout["BITPIX"], layout["NAXIS"] = True, 16, 2
    layout["NAXIS1"], layout["NAXIS2"] = shape[1], shape[0]
    layout["BZERO"], layout["BSCALE"] = 32768, 1
    layout.extend(header.cards, strip=False)
    file.write(layout.tostring(sep="", endcard=True, padding=True).encode("ascii"))
    for block in rows:
        # unsigned 16-bit less BZERO, most significant byte first
        file.write((block ^ np.uint16(0x8000)).astype(">u2").tobytes())
    file.write(bytes(-2 * shape[0] * shape[1] % 2880))
