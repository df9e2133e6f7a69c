"""Kernels that resample along one axis after the other, for turns of a few degrees.

The first pass runs along the rows of the sub and leaves, for each output
column, the sub's rows as they are; the second runs along the columns. Both
are the same one-dimensional filter, whose taps are neighbouring pixels in the
first pass and neighbouring rows in the second. Where its phase moves
slowly, weights serve long runs of pixels in the first pass, and in the second
many rows. A block of columns goes through both passes while it lies in the
processor's cache.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast, inner_fast
from stackbench.frames.instructions import Index, lower, upper
from stackbench.registration.resampling_rows import FLAT, filter_row, lay_weights, strip_row
from stackbench.registration.resampling_runs import Ramp, Ringing, laid_run

F32 = NDArray[np.float32]

_BLOCK = 1024  # columns that go through both passes together; blocks start at its multiples

# Pixels from row to row between the passes. Not _BLOCK itself: rows a multiple of
# 4 KiB apart would all claim the same few places of the processor's first cache,
# and throw each other out. Typed, as numba compiles a kernel anew for each plain number.
_PITCH = np.int64(_BLOCK + 16)
_ORIGIN = np.int64(3)  # where the window of a row has the pixel from which its phase counts
_FIRST = np.int64(0)

_SLIDE = 32  # rows by which the buffer between the passes slides on

_TOGETHER = 32.0  # most rows that share the weights of the second pass


@compiled_fast
def transpose(block: F32, out: F32) -> None:
    """Swap rows and columns, in squares that stay in the cache.

    Parameters
    ----------
    block : ndarray, shape (ny, nx), float32
        Pixels.
    out : ndarray, shape (nx, ny), float32
        Filled.
    """
    ny, nx = block.shape
    side = 16
    for top in range(0, ny, side):
        for left in range(0, nx, side):
            for x in range(left, lower(left + side, nx)):
                for y in range(top, lower(top + side, ny)):
                    out[x, y] = block[y, x]


@inner_fast
def copy_row(
    row: F32, at: int, step: Index, first: Index, scale: np.float32, offset: np.float32, out: F32,
    n: Index,
) -> None:  # fmt: skip
    """Copy scale × pixel + offset of one row, repeating its ends.

    Parameters
    ----------
    row : ndarray, float32
        Pixels.
    at : int
        Where the row starts as it is seen.
    step : int
        1, or -1 where it is seen mirrored left to right.
    first : int
        First pixel wanted, counted as `at` is; may lie outside the row.
    scale, offset : float32
        Factor and summand. Weights sum to 1, so it does not matter whether
        they are applied before or after resampling.
    out : ndarray, float32
        Where the pixels go.
    n : int
        How many pixels.
    """
    width = row.shape[0]
    begin = lower(upper(at - first, 0), n)
    end = upper(lower(at + width - first, n), begin)
    inside = out[begin:end]
    count = end - begin
    start = first + begin - at
    if step < 0:
        taken = row[width - start - count : width - start]
        for i in range(count):
            inside[i] = taken[count - 1 - i] * scale + offset
    else:
        taken = row[start : start + count]
        for i in range(count):
            inside[i] = taken[i] * scale + offset
    before = row[width - 1 if step < 0 else 0] * scale + offset
    for i in range(begin):
        out[i] = before
    after = row[0 if step < 0 else width - 1] * scale + offset
    for i in range(end, n):
        out[i] = after


class Room(NamedTuple):
    """Working space of the two passes."""

    # The rows that the first pass left behind and the second still needs, and a
    # few more; it slides down the sub.
    middle: F32
    laid: F32  # the second pass's weights
    window: F32  # the first pass's row of the sub
    ramp: Ramp


def make_room(inverse: NDArray[np.float64]) -> Room:
    """Make working space for the two passes.

    Parameters
    ----------
    inverse : ndarray, shape (2, 3), float64
        From the grid's (x, y, 1) to (u, v) in the sub, as for `two_passes`.

    Returns
    -------
    Room
        For one call at a time.
    """
    (a, b, _), (d, e, _) = inverse.tolist()
    depth = int(abs(d) * _BLOCK) + 12 + _SLIDE
    return Room(
        middle=np.empty((depth, int(_PITCH)), np.float32),
        laid=np.empty((6, int(_PITCH)), np.float32),
        window=np.empty(int((a - b * d / e) * _BLOCK) + 16, np.float32),
        ramp=Ramp(
            low=np.empty(6, np.float32),
            rise=np.empty(6, np.float32),
            steps=np.arange(_BLOCK, dtype=np.float32),
        ),
    )


@compiled_fast
def two_passes(
    block: F32, row0: int, column0: int, shape: tuple[int, int], flips: tuple[bool, bool],
    inverse: NDArray[np.float64], y0: int, x0: int, out: F32, weights: F32, strips_x: F32,
    strips_y: F32, levels: F32, room: Room,
) -> None:  # fmt: skip
    """Resample a rectangle of the grid, rows first and columns after.

    Parameters
    ----------
    block : ndarray, shape (rows, columns), float32
        The part of the sub that the rectangle needs, every pixel finite.
    row0, column0 : int
        Row and column of the sub where the block starts.
    shape : tuple of int
        The whole sub's (ny, nx); beyond it, the outermost pixels repeat.
    flips : tuple of bool
        Whether the sub is to be seen upside down, and mirrored left to right.
    inverse : ndarray, shape (2, 3), float64
        From the grid's (x, y, 1) to (u, v) in the sub as it is seen after
        the flips; (0, 0) and (1, 1) are positive.
    y0, x0 : int
        First row and column of the rectangle on the grid.
    out : ndarray, shape (rows, columns), float32
        The rectangle; filled.
    weights : ndarray
        From `phase_table`.
    strips_x, strips_y : ndarray
        From `strip_table` for each pass; of length 0 where the phase moves too
        slowly to need one.
    levels : ndarray, shape (4,), float32
        The slack and the share of the ringing limit, then the factor and the
        summand applied to every pixel; the slack in units of the result.
    room : Room
        Working space.
    """
    height, width = out.shape
    ny, nx = shape
    flip_y, flip_x = flips
    step = -1 if flip_x else 1
    at = nx - column0 - block.shape[1] if flip_x else column0
    ringing = Ringing(levels[0], levels[1])
    scale, offset = levels[2], levels[3]
    a, b, c = inverse[0, 0], inverse[0, 1], inverse[0, 2]
    d, e, f = inverse[1, 0], inverse[1, 1], inverse[1, 2]
    # At a fixed column X, the sub's row V is met where Y = (V − d X − f) / e.
    along, across, shift = a - b * d / e, b / e, c - b * f / e
    middle, laid, window, ramp = room
    depth = middle.shape[0]
    flat = middle.reshape(-1)
    # Rows over which the phase of the second pass moves by at most FLAT.
    together = np.int64(lower(FLAT / upper(abs(e - 1.0), 1e-12), _TOGETHER))
    together = upper(together, 1)
    left = x0
    while left < x0 + width:
        n = lower(_BLOCK - left % _BLOCK, x0 + width - left)
        lean = d * (n - 1)
        first = np.int64(np.floor(d * left + (e * y0 + f) + lower(lean, 0.0))) - 3
        ready = first  # rows before this one have gone through the first pass
        group = -1  # of rows whose weights are laid out
        for y in range(height):
            # Whole rows and fractions apart, and counted from the grid's
            # first row: the bits then do not depend on where the rectangle
            # starts.
            v = d * left + (e * (y0 + y) + f)
            base = np.int64(np.floor(v))
            needed = np.int64(np.floor(v + upper(lean, 0.0))) + 5
            if needed - first >= depth:
                lowest = np.int64(np.floor(v + lower(lean, 0.0))) - 3
                for k in range(ready - lowest):
                    shifted, kept = middle[k], middle[k + lowest - first]
                    for i in range(n):  # slices assigned to slices take seconds to compile
                        shifted[i] = kept[i]
                first = lowest
            while ready <= needed:
                u = along * left + across * ready + shift
                start = np.int64(np.floor(u))
                row = ny - 1 - ready if flip_y else ready
                row = lower(upper(row, row0), row0 + block.shape[0] - 1)
                count = np.int64(along * n) + 12
                copy_row(block[row - row0], at, step, start - _ORIGIN, scale, offset, window, count)
                filter_row(window, _ORIGIN, middle[ready - first], n, u - start, along - 1.0,
                           weights, strips_x, ramp, ringing)  # fmt: skip
                ready += 1
            line = out[y, left - x0 : left - x0 + n]
            if strips_y.shape[0] > 0:
                strip_row(flat, (base - first) * _PITCH, _PITCH, line, n, v - base, d,
                          strips_y, ringing)  # fmt: skip
                continue
            if group != (y0 + y) // together:
                group = (y0 + y) // together
                centre = (group + 0.5) * together - 0.5
                # The same for all rows but for whole pixels, as e is nearly 1.
                phase = d * left + ((e - 1.0) * centre + f)
                lead, turn = lay_weights(phase, d, n, weights, ramp, laid)
            top = (y0 + y + lead - 2 - first) * _PITCH
            laid_run(flat, top, _PITCH, line, turn, laid, _FIRST, ringing)
            if turn < n:
                top += (1 if d > 0 else -1) * _PITCH + turn
                laid_run(flat, top, _PITCH, line[turn:], n - turn, laid, turn, ringing)
        left += n
