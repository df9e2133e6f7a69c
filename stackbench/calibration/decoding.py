"""Rows of a raw frame turned into calibrated float32 in one pass over memory."""

import math
import sys

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import upper
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import PixelLayout
from stackbench.frames.rows import RowSource

_LOWEST_WORD, _HIGHEST_WORD = -(1 << 15), (1 << 15) - 1


class OpenRows:
    """Some rows of a raw frame, read once, to be calibrated whole or in parts.

    16-bit integers, as nearly all cameras write them, stay in the memory map
    until one fused kernel decodes and calibrates them; all else is decoded
    here. Both give the same bits.

    Parameters
    ----------
    source : RowSource
        The raw frame.
    start, stop : int
        First row and the row after the last.
    """

    def __init__(self, source: RowSource, start: int, stop: int) -> None:
        self._start = start
        self._words: NDArray[np.uint16] | None = None
        self._zero = 0.0
        if isinstance(source, MappedRows) and _is_plain_16_bit(source.layout):
            self._words = source.stored_rows(start, stop).view(np.uint16)
            self._zero = source.layout.bzero
        else:
            self._values = source.rows(start, stop)

    def calibrate(
        self,
        start: int,
        stop: int,
        *,
        subtract: NDArray[np.float32] | None = None,
        multiply: NDArray[np.float32] | None = None,
        factor: float = 1.0,
        left: int = 0,
        out: NDArray[np.float32],
    ) -> None:
        """Write (raw − subtract) × multiply × factor for some of the rows.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, counted in the whole frame.
        subtract : ndarray, shape (ny, nx), float32, optional
            Level of the whole frame, ADU.
        multiply : ndarray, shape (ny, nx), float32, optional
            Inverse response of the whole frame, NaN at bad pixels.
        factor : float
            One factor for all pixels.
        left : int
            The first column that is wanted.
        out : ndarray, shape (stop - start, columns), float32
            Receives the rows from `left` on, as many columns as it has; NaN
            where undefined.
        """
        level = None if subtract is None else subtract[start:stop]
        inverse = None if multiply is None else multiply[start:stop]
        rows = slice(start - self._start, stop - self._start)
        if self._words is not None:
            zero, scale = np.float32(self._zero), np.float32(factor)
            _from_16_bit(self._words[rows], zero, level, inverse, scale, left, out)
            return
        columns = slice(left, left + out.shape[1])
        if level is None:
            out[:] = self._values[rows, columns]
        else:
            np.subtract(self._values[rows, columns], level[:, columns], out=out)
        if inverse is not None:
            out *= inverse[:, columns]
        if factor != 1:
            out *= np.float32(factor)

    def mark_saturated(
        self, start: int, stop: int, saturation_adu: float, *, out: NDArray[np.bool_]
    ) -> bool:
        """Mark the pixels of some of the rows whose raw value reaches the saturation level.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, counted in the whole frame.
        saturation_adu : float
            Raw value, ADU.
        out : ndarray, shape (stop - start, nx), bool
            Receives the marks.

        Returns
        -------
        bool
            Whether there is such a pixel.
        """
        rows = slice(start - self._start, stop - self._start)
        if self._words is not None:
            least = max(math.ceil(saturation_adu - self._zero), _LOWEST_WORD)
            if least > _HIGHEST_WORD:
                out[...] = False
                return False
            highest = _mark_words(self._words[rows], np.int16(least), out.view(np.uint8))
            return bool(highest >= least)
        np.greater_equal(self._values[rows], np.float32(saturation_adu), out=out)
        return bool(out.any())


def _is_plain_16_bit(layout: PixelLayout) -> bool:
    return (
        sys.byteorder == "little"
        and layout.bitpix == 16
        and layout.bscale == 1
        and layout.blank is None
        # The sum with a 16-bit word is exact in float32.
        and float(layout.bzero).is_integer()
        and abs(layout.bzero) < 1 << 23
    )


@compiled
def _from_16_bit(
    words: NDArray[np.uint16],
    zero: np.float32,
    subtract: NDArray[np.float32] | None,
    multiply: NDArray[np.float32] | None,
    factor: np.float32,
    left: int,
    out: NDArray[np.float32],
) -> None:
    """Decode big-endian signed words that a little-endian view shows, and calibrate.

    The tests for None cost nothing: numba compiles one version per combination.
    """
    ny, nx = out.shape
    first = np.uint64(left)
    for y in range(ny):
        row = words[y]
        out_row = out[y]
        for x in range(nx):
            column = first + np.uint64(x)
            word = row[column]
            turned = np.int16((word >> np.uint16(8)) | (word << np.uint16(8)))
            value = np.float32(turned) + zero
            if subtract is not None:
                value -= subtract[y, column]
            if multiply is not None:
                value *= multiply[y, column]
            out_row[x] = value * factor


@compiled
def _mark_words(words: NDArray[np.uint16], least: np.int16, marks: NDArray[np.uint8]) -> np.int16:
    """Put 1 where big-endian signed words, seen little-endian, reach `least`; tell the highest."""
    ny, nx = words.shape
    highest = np.int16(_LOWEST_WORD)
    for y in range(ny):
        row, out = words[y], marks[y]
        for x in range(nx):
            word = row[x]
            turned = np.int16((word >> np.uint16(8)) | (word << np.uint16(8)))
            # All in 16 bits and fewer: a count, or a bool, would not vectorise.
            out[x] = np.uint8(turned >= least)
            highest = upper(highest, turned)
    return highest
