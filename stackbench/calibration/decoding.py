"""Rows of a raw frame turned into calibrated float32 in one pass over memory."""

import math
import sys

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import PixelLayout
from stackbench.frames.rows import RowSource


def calibrated_rows(
    source: RowSource,
    start: int,
    stop: int,
    *,
    subtract: NDArray[np.float32] | None = None,
    multiply: NDArray[np.float32] | None = None,
    factor: float = 1.0,
    into: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Return (raw − subtract) × multiply × factor for some rows.

    16-bit integers, as nearly all cameras write them, go through one fused
    kernel that decodes and calibrates; all else is decoded first. Both give
    the same bits.

    Parameters
    ----------
    source : RowSource
        The raw frame.
    start, stop : int
        First row and the row after the last.
    subtract : ndarray, shape (ny, nx), float32, optional
        Level of the whole frame, ADU.
    multiply : ndarray, shape (ny, nx), float32, optional
        Inverse response of the whole frame, NaN at bad pixels.
    factor : float
        One factor for all pixels.
    into : ndarray, shape (stop - start, nx), float32, optional
        Where to write the rows; a new array if left out.

    Returns
    -------
    ndarray, shape (stop - start, nx), float32
        The rows; `into` when it is given.
    """
    level = None if subtract is None else subtract[start:stop]
    inverse = None if multiply is None else multiply[start:stop]
    scale = np.float32(factor)
    if isinstance(source, MappedRows) and _is_plain_16_bit(source.layout):
        words = source.stored_rows(start, stop).view(np.uint16)
        if into is None:
            into = np.empty(words.shape, dtype=np.float32)
        _from_16_bit(words, np.float32(source.layout.bzero), level, inverse, scale, into)
        return into
    values = source.rows(start, stop)
    if level is not None:
        values -= level
    if inverse is not None:
        values *= inverse
    if factor != 1:
        values *= scale
    if into is None:
        return values
    into[:] = values
    return into


def calibrate_and_mark(
    source: RowSource,
    start: int,
    stop: int,
    *,
    subtract: NDArray[np.float32] | None,
    multiply: NDArray[np.float32] | None,
    saturation_adu: float,
    into: NDArray[np.float32],
) -> NDArray[np.bool_] | None:
    """Calibrate some rows and mark their saturated pixels, reading them once.

    Parameters
    ----------
    source : RowSource
        The raw frame.
    start, stop : int
        First row and the row after the last.
    subtract : ndarray, shape (ny, nx), float32, or None
        Level of the whole frame, ADU.
    multiply : ndarray, shape (ny, nx), float32, or None
        Inverse response of the whole frame, NaN at bad pixels.
    saturation_adu : float
        Raw value from which a pixel is saturated, ADU.
    into : ndarray, shape (stop - start, nx), float32
        Receives the calibrated rows.

    Returns
    -------
    ndarray, shape (stop - start, nx), bool, or None
        True where the raw value is saturated; None when no pixel is.
    """
    level = None if subtract is None else subtract[start:stop]
    inverse = None if multiply is None else multiply[start:stop]
    if isinstance(source, MappedRows) and _is_plain_16_bit(source.layout):
        words = source.stored_rows(start, stop).view(np.uint16)
        zero = np.float32(source.layout.bzero)
        _from_16_bit(words, zero, level, inverse, np.float32(1), into)
        if _highest_word(words) < math.ceil(saturation_adu - source.layout.bzero):
            return None
        raw = source.rows(start, stop)
    else:
        raw = source.rows(start, stop)
        into[:] = raw
        if level is not None:
            into -= level
        if inverse is not None:
            into *= inverse
    mask = raw >= np.float32(saturation_adu)
    return mask if mask.any() else None


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
    out: NDArray[np.float32],
) -> None:
    """Decode big-endian signed words that a little-endian view shows, and calibrate.

    The tests for None cost nothing: numba compiles one version per combination.
    """
    ny, nx = words.shape
    for y in range(ny):
        row = words[y]
        out_row = out[y]
        for x in range(nx):
            word = row[x]
            turned = np.int16((word >> np.uint16(8)) | (word << np.uint16(8)))
            value = np.float32(turned) + zero
            if subtract is not None:
                value -= subtract[y, x]
            if multiply is not None:
                value *= multiply[y, x]
            out_row[x] = value * factor


@compiled
def _highest_word(words: NDArray[np.uint16]) -> np.int16:
    """Return the highest of big-endian signed words that a little-endian view shows."""
    ny, nx = words.shape
    highest = np.int16(-32768)
    for y in range(ny):
        row = words[y]
        for x in range(nx):
            word = row[x]
            turned = np.int16((word >> np.uint16(8)) | (word << np.uint16(8)))
            highest = max(highest, turned)
    return highest
