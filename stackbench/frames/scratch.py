"""Pixels that cannot be mapped, decoded once into a scratch file that can."""

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.errors import damaged_packing, truncated, unreadable
from stackbench.frames.hdus import ImageHeader, pixel_bytes, read_image_header
from stackbench.frames.names import safe_name
from stackbench.frames.packing import opened
from stackbench.frames.pixels import PixelFile, stored_dtype
from stackbench.frames.records import Frame, PixelLayout

SCRATCH_ENDING = ".pixels"
_BLOCK_BYTES = 2**22


def decode_to_scratch(frame: Frame, folder: Path) -> PixelFile:
    """Decode a packed or tile-compressed frame into a file that can be mapped.

    Parameters
    ----------
    frame : Frame
        Its file is opened for reading only.
    folder : Path
        Existing scratch folder.

    Returns
    -------
    PixelFile
        The stored values, big-endian, from offset 0. A scratch file that is
        there already, of the same frame unchanged, is used again.

    Raises
    ------
    FrameError
        If the frame is damaged or changed its size since the scan.
    OSError
        If the scratch file cannot be written.
    """
    layout = replace(frame.layout, data_offset=0)
    path = folder / _scratch_name(frame)
    if path.exists() and path.stat().st_size == pixel_bytes(layout):
        return PixelFile(path=path, layout=layout)
    try:
        size = frame.path.stat().st_size
    except OSError as error:
        raise unreadable(frame.path, error) from error
    header = read_image_header(frame.path, size)
    same = replace(header.layout, data_offset=None) == replace(layout, data_offset=None)
    if size != frame.size_bytes or not same:
        raise damaged_packing(frame.path, ValueError("it changed since it was listed"))
    blocks = _tiled_blocks(frame, header) if header.tiled else _packed_blocks(frame, header)
    with _new_file(path) as file:
        for block in blocks:
            file.write(block)
    return PixelFile(path=path, layout=layout)


def write_scratch(
    blocks: Iterable[NDArray[np.float32]], *, shape: tuple[int, int], path: Path
) -> PixelFile:
    """Write finished pixels into a scratch file that can be mapped.

    Parameters
    ----------
    blocks : iterable of ndarray, shape (rows, nx), float32
        The image's rows from the first to the last, in blocks of any height.
    shape : tuple of int
        The whole image's (ny, nx).
    path : Path
        The file to make, replacing any of that name once it is complete.

    Returns
    -------
    PixelFile
        Big-endian float32 from offset 0.

    Raises
    ------
    ValueError
        If the blocks do not make up the shape; no file is left then.
    OSError
        If the file cannot be written.
    """
    ny, nx = shape
    written = 0
    with _new_file(path) as file:
        for block in blocks:
            if block.ndim != 2 or block.shape[1] != nx:
                raise ValueError(f"a block of shape {block.shape} is no part of {shape}")
            file.write(np.ascontiguousarray(block, dtype=">f4").data)
            written += block.shape[0]
        if written != ny:
            raise ValueError(f"{written} rows were written of {ny}")
    return PixelFile(path=path, layout=PixelLayout(hdu=0, shape=shape, bitpix=-32, data_offset=0))


def _scratch_name(frame: Frame) -> str:
    """Name a scratch file after its frame, so that no two frames share one."""
    facts = f"{frame.path}\n{frame.size_bytes}\n{frame.modified_ns}"
    digest = hashlib.sha256(facts.encode(errors="surrogatepass")).hexdigest()[:16]
    return f"{safe_name(frame.path.name, most_bytes=60)}-{digest}{SCRATCH_ENDING}"


@contextmanager
def _new_file(path: Path) -> Iterator[BinaryIO]:
    """Write under a temporary name that becomes `path` only when complete."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=f"{SCRATCH_ENDING}.part")
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)


def _packed_blocks(frame: Frame, header: ImageHeader) -> Iterator[bytes]:
    """Yield the data bytes of a packed file, reading it to its checked end."""
    missing = pixel_bytes(frame.layout)
    with opened(frame.path) as (stream, _):
        stream.seek(header.stream_offset)
        while block := stream.read(_BLOCK_BYTES):
            if missing > 0:
                yield block[:missing]
            missing -= len(block)
    if missing > 0:
        promised = header.stream_offset + pixel_bytes(frame.layout)
        raise truncated(frame.path, promised=promised, found=promised - missing)


def _tiled_blocks(frame: Frame, header: ImageHeader) -> Iterator[memoryview]:
    """Yield the stored values of a tile-compressed image as big-endian bytes."""
    # Imported here: most nights hold no such file.
    from astropy.io import fits

    dtype = stored_dtype(header.layout.bitpix)
    try:
        with fits.open(frame.path, memmap=False, do_not_scale_image_data=True) as hdus:
            stored = np.asarray(hdus[header.layout.hdu].data)
    except (OSError, ValueError, RuntimeError, TypeError, KeyError, IndexError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise unreadable(frame.path, error) from error
        raise damaged_packing(frame.path, error) from error
    ny, nx = header.layout.shape
    if stored.size != ny * nx:
        raise damaged_packing(frame.path, ValueError(f"its tiles make up {stored.shape}"))
    stored = stored.reshape(ny, nx)  # without a third axis of one plane
    rows = max(1, _BLOCK_BYTES // (nx * dtype.itemsize))
    for start in range(0, ny, rows):
        yield np.ascontiguousarray(stored[start : start + rows], dtype=dtype).data
