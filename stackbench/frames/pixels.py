"""The pixels of a file, row by row through a memory map of just those rows."""

import mmap
import os
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.errors import truncated, unreadable
from stackbench.frames.hdus import BYTES_OF_BITPIX, pixel_bytes
from stackbench.frames.records import Frame, PixelLayout

# Up to this size of BZERO a 16-bit sum is exact in float32.
_MOST_EXACT_ZERO = 2**23


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelFile:
    """A file whose pixels can be mapped; `layout.data_offset` is a number."""

    path: Path
    layout: PixelLayout


def pixel_file(frame: Frame) -> PixelFile | None:
    """Return where a frame's pixels can be mapped.

    Parameters
    ----------
    frame : Frame
        Any frame.

    Returns
    -------
    PixelFile or None
        None if the file is packed or tile-compressed, so that its pixels must
        be decoded first.
    """
    if frame.layout.data_offset is None:
        return None
    return PixelFile(path=frame.path, layout=frame.layout)


class MappedRows:
    """Rows of a file that can be mapped; a `RowSource`, safe to share by threads.

    Parameters
    ----------
    pixel_file : PixelFile
        The file and its layout. It is opened anew, for reading only, each time
        rows are asked for.
    """

    def __init__(self, pixel_file: PixelFile) -> None:
        if pixel_file.layout.data_offset is None:
            raise ValueError(f"the pixels of {pixel_file.path} must be decoded first")
        self._path = pixel_file.path
        self._layout = pixel_file.layout
        self._offset: int = pixel_file.layout.data_offset

    @property
    def shape(self) -> tuple[int, int]:
        """The whole image's (ny, nx).

        Returns
        -------
        tuple of int
            Rows and columns.
        """
        return self._layout.shape

    @property
    def layout(self) -> PixelLayout:
        """How the stored values of `stored_rows` are to be read.

        Returns
        -------
        PixelLayout
            BITPIX, BZERO, BSCALE and BLANK among it.
        """
        return self._layout

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return rows start … stop − 1 as a new array the caller may change.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.

        Returns
        -------
        ndarray, shape (stop - start, nx), float32
            Physical values, ADU; NaN where undefined.

        Raises
        ------
        FrameError
            If the file cannot be read, or became shorter than its layout.
        """
        return decode(self.stored_rows(start, stop), self._layout)

    def rows_into(self, start: int, stop: int, *, out: NDArray[np.float32]) -> None:
        """Write rows start … stop − 1 into an array that the caller keeps.

        Fresh memory costs as much as the decoding itself; a caller that goes
        band by band saves that.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.
        out : ndarray, shape (stop - start, nx), float32, contiguous
            Receives physical values, ADU; NaN where undefined.

        Raises
        ------
        FrameError
            If the file cannot be read, or became shorter than its layout.
        """
        decode_into(self.stored_rows(start, stop), self._layout, out=out)

    def stored_rows(self, start: int, stop: int) -> NDArray[np.generic]:
        """Return rows start … stop − 1 as they lie in the file.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.

        Returns
        -------
        ndarray, shape (stop - start, nx)
            Read-only, big-endian (uint8 for BITPIX 8); the map under it lives
            as long as the array, so let go of it soon.

        Raises
        ------
        FrameError
            If the file cannot be read, or became shorter than its layout.
        """
        ny, nx = self._layout.shape
        if not 0 <= start <= stop <= ny:
            raise ValueError(f"rows {start} to {stop} are outside an image of {ny} rows")
        dtype = stored_dtype(self._layout.bitpix)
        count = (stop - start) * nx
        if count == 0:
            return np.empty((stop - start, nx), dtype)
        first = self._offset + start * nx * dtype.itemsize
        before = first % mmap.ALLOCATIONGRANULARITY
        length = before + count * dtype.itemsize
        window = self._map(first - before, length)
        return np.frombuffer(window, dtype, count, before).reshape(stop - start, nx)

    def _map(self, offset: int, length: int) -> mmap.mmap:
        try:
            with self._path.open("rb", buffering=0) as file:
                # A map beyond the end would kill the process when touched.
                size = os.fstat(file.fileno()).st_size
                promised = self._offset + pixel_bytes(self._layout)
                if size < promised:
                    raise truncated(self._path, promised=promised, found=size, passing=True)
                return mmap.mmap(file.fileno(), length, access=mmap.ACCESS_READ, offset=offset)
        except OSError as error:
            if error.errno is None:
                raise  # the truncation, told already
            raise unreadable(self._path, error) from error


def stored_dtype(bitpix: int) -> np.dtype[np.generic]:
    """Return the numpy type of stored values.

    Parameters
    ----------
    bitpix : int
        8, 16, 32, 64, −32 or −64.

    Returns
    -------
    dtype
        Big-endian; unsigned for 8, signed for other integers.

    References
    ----------
    FITS Standard 3.0, table 4.6 and sections 5.1 to 5.3.
    """
    letter = "u" if bitpix == 8 else "i" if bitpix > 0 else "f"
    return np.dtype(f">{letter}{BYTES_OF_BITPIX[bitpix]}")


def decode(stored: NDArray[np.generic], layout: PixelLayout) -> NDArray[np.float32]:
    """Turn stored values into physical ones.

    Parameters
    ----------
    stored : ndarray, any shape
        As `MappedRows.stored_rows` returns them. Not modified.
    layout : PixelLayout
        BZERO, BSCALE and BLANK of these values.

    Returns
    -------
    ndarray, float32
        bzero + bscale × stored, of the same shape; NaN where the stored value
        is `blank` or NaN. Computed in float64 and rounded once, so whole
        numbers are exact up to 2^24 in size; beyond that float32 keeps 24 bits.

    References
    ----------
    FITS Standard 3.0, equation 4.3.
    """
    out = np.empty(stored.shape, np.float32)
    decode_into(stored, layout, out=out)
    return out


def decode_into(
    stored: NDArray[np.generic], layout: PixelLayout, *, out: NDArray[np.float32]
) -> None:
    """Turn stored values into physical ones, as `decode`, into a given array.

    Parameters
    ----------
    stored : ndarray, any shape
        As `MappedRows.stored_rows` returns them. Not modified.
    layout : PixelLayout
        BZERO, BSCALE and BLANK of these values.
    out : ndarray, same shape, float32, contiguous
        Receives the physical values.

    Raises
    ------
    ValueError
        If `out` has another shape or is not contiguous.
    """
    if out.shape != stored.shape or not out.flags.c_contiguous:
        raise ValueError(f"out of shape {out.shape} cannot receive {stored.shape}")
    if layout.bitpix == 16:
        _decode_16_bit(stored, layout, out)
        return
    if layout.bitpix == -32 and layout.bscale == 1 and layout.bzero == 0:
        out[...] = stored
        return
    # A double beyond float32's range is as good as infinite, and any NaN is a NaN.
    with np.errstate(over="ignore", invalid="ignore"):
        if layout.bitpix == 64 and layout.bscale == 1 and layout.bzero == 2**63:
            # In float64 the sum would lose its last ten bits: flip the sign bit instead.
            out[...] = stored.astype(np.int64).view(np.uint64) ^ np.uint64(2**63)
        else:
            values = stored.astype(np.float64)
            values *= layout.bscale
            values += layout.bzero
            out[...] = values
    if layout.blank is not None and layout.bitpix > 0:
        # A BLANK outside the type's range marks no pixel (numpy compares exactly).
        out[np.asarray(stored == layout.blank)] = np.nan


def _decode_16_bit(
    stored: NDArray[np.generic], layout: PixelLayout, out: NDArray[np.float32]
) -> None:
    # Imported here: a run that reads no pixels must not load the compiler.
    from stackbench.frames.decoding import decode_16_bit, decode_16_bit_unscaled

    words = np.ascontiguousarray(stored).view(np.uint16).reshape(-1)
    flat = out.reshape(-1)
    swap = sys.byteorder == "little"
    zero = layout.bzero
    blank = layout.blank
    if blank is None or not -(2**15) <= blank < 2**15:
        blank = 2**15  # marks no pixel
    exact = layout.bscale == 1 and zero.is_integer() and abs(zero) <= _MOST_EXACT_ZERO
    if exact and blank == 2**15:
        decode_16_bit_unscaled(words, swap, int(zero), flat)
    else:
        decode_16_bit(words, swap, layout.bscale, zero, blank, flat)
