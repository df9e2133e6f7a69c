"""Kernels that resample along one axis after the other, for turns of a few degrees.

The first pass runs along the rows of the sub and leaves, for each output
column, the sub's rows as they are; the second runs along the columns. Both
are the same one-dimensional filter: out[i] = Σ_k w_k(phase_i) · tap_k[i],
where the taps are neighbouring pixels in the first pass and neighbouring
rows in the second, and the phase moves evenly along the row. Where it moves
slowly, weights serve long runs of pixels in the first pass, and in the second
many rows. A block of columns goes through both passes while it lies in the
processor's cache.

Ringing is limited in each pass: a value may lie below the lowest of the
nearest four (or five) taps by at most `slack` + `share` × (their highest − their
lowest); see `stackbench.registration.resampling` for why.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled_fast, inner_fast
from stackbench.registration.lanczos import MARGIN, PHASES

F32 = NDArray[np.float32]

BLOCK = 1024
"""Columns that go through both passes together; blocks start at its multiples."""

PITCH = BLOCK + 16
"""Pixels from row to row between the passes.

Not BLOCK itself: rows a multiple of 4 KiB apart would all claim the same few
places of the processor's first cache, and throw each other out.
"""

SLIDE = 32
"""Rows by which the buffer between the passes slides on."""

BENT = 1.0 / 64.0
"""Phase over which weights are taken to change in a straight line, pixels."""

FLAT = 1.0 / PHASES
"""Phase over which weights are taken not to change at all, pixels."""

_EVEN = FLAT / 256  # phase per pixel up to which such runs are long enough to pay

_TOGETHER = 32  # most rows that share the weights of the second pass


@inner_fast
def _even_run(
    source: F32, start: int, out: F32, n: int, weights: F32, slack: np.float32, share: np.float32
) -> None:
    """Filter n neighbouring pixels with the same weights."""
    s0 = source[start : start + n]
    s1 = source[start + 1 : start + 1 + n]
    s2 = source[start + 2 : start + 2 + n]
    s3 = source[start + 3 : start + 3 + n]
    s4 = source[start + 4 : start + 4 + n]
    s5 = source[start + 5 : start + 5 + n]
    a0, a1, a2 = weights[0], weights[1], weights[2]
    a3, a4, a5 = weights[3], weights[4], weights[5]
    for i in range(n):
        c1, c2, c3, c4 = s1[i], s2[i], s3[i], s4[i]
        value = a0 * s0[i] + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * s5[i]
        floor = c1 if c1 < c2 else c2
        other = c3 if c3 < c4 else c4
        floor = floor if floor < other else other
        top = c1 if c1 > c2 else c2
        other = c3 if c3 > c4 else c4
        top = top if top > other else other
        limit = floor - slack - share * (top - floor)
        out[i] = value if value > limit else limit


@inner_fast
def _laid_run(
    source: F32, start: int, out: F32, n: int, laid: F32, first: int, slack: np.float32,
    share: np.float32,
) -> None:  # fmt: skip
    """Filter n pixels along their columns, each column with weights of its own."""
    s0 = source[start : start + n]
    s1 = source[start + PITCH : start + PITCH + n]
    s2 = source[start + 2 * PITCH : start + 2 * PITCH + n]
    s3 = source[start + 3 * PITCH : start + 3 * PITCH + n]
    s4 = source[start + 4 * PITCH : start + 4 * PITCH + n]
    s5 = source[start + 5 * PITCH : start + 5 * PITCH + n]
    w0 = laid[0, first : first + n]
    w1 = laid[1, first : first + n]
    w2 = laid[2, first : first + n]
    w3 = laid[3, first : first + n]
    w4 = laid[4, first : first + n]
    w5 = laid[5, first : first + n]
    for i in range(n):
        c1, c2, c3, c4 = s1[i], s2[i], s3[i], s4[i]
        value = w0[i] * s0[i] + w1[i] * c1 + w2[i] * c2
        value += w3[i] * c3 + w4[i] * c4 + w5[i] * s5[i]
        floor = c1 if c1 < c2 else c2
        other = c3 if c3 < c4 else c4
        floor = floor if floor < other else other
        top = c1 if c1 > c2 else c2
        other = c3 if c3 > c4 else c4
        top = top if top > other else other
        limit = floor - slack - share * (top - floor)
        out[i] = value if value > limit else limit


@inner_fast
def _straight_run(
    source: F32, start: int, out: F32, n: int, low: F32, rise: F32, ramp: F32,
    slack: np.float32, share: np.float32,
) -> None:  # fmt: skip
    """Filter n neighbouring pixels with weights that change in a straight line."""
    s0 = source[start : start + n]
    s1 = source[start + 1 : start + 1 + n]
    s2 = source[start + 2 : start + 2 + n]
    s3 = source[start + 3 : start + 3 + n]
    s4 = source[start + 4 : start + 4 + n]
    s5 = source[start + 5 : start + 5 + n]
    a0, a1, a2, a3, a4, a5 = low[0], low[1], low[2], low[3], low[4], low[5]
    b0, b1, b2, b3, b4, b5 = rise[0], rise[1], rise[2], rise[3], rise[4], rise[5]
    for i in range(n):
        c1, c2, c3, c4 = s1[i], s2[i], s3[i], s4[i]
        base = a0 * s0[i] + a1 * c1 + a2 * c2 + a3 * c3 + a4 * c4 + a5 * s5[i]
        turn = b0 * s0[i] + b1 * c1 + b2 * c2 + b3 * c3 + b4 * c4 + b5 * s5[i]
        value = base + ramp[i] * turn
        floor = c1 if c1 < c2 else c2
        other = c3 if c3 < c4 else c4
        floor = floor if floor < other else other
        top = c1 if c1 > c2 else c2
        other = c3 if c3 > c4 else c4
        top = top if top > other else other
        limit = floor - slack - share * (top - floor)
        out[i] = value if value > limit else limit


@inner_fast
def _strip_run(
    source: F32, start: int, stride: int, out: F32, n: int, strip: F32, first: int,
    slack: np.float32, share: np.float32,
) -> None:  # fmt: skip
    """Filter n pixels with tabulated weights, seven taps each."""
    s0 = source[start : start + n]
    s1 = source[start + stride : start + stride + n]
    s2 = source[start + 2 * stride : start + 2 * stride + n]
    s3 = source[start + 3 * stride : start + 3 * stride + n]
    s4 = source[start + 4 * stride : start + 4 * stride + n]
    s5 = source[start + 5 * stride : start + 5 * stride + n]
    s6 = source[start + 6 * stride : start + 6 * stride + n]
    w0 = strip[0, first : first + n]
    w1 = strip[1, first : first + n]
    w2 = strip[2, first : first + n]
    w3 = strip[3, first : first + n]
    w4 = strip[4, first : first + n]
    w5 = strip[5, first : first + n]
    w6 = strip[6, first : first + n]
    for i in range(n):
        c1, c2, c3, c4, c5 = s1[i], s2[i], s3[i], s4[i], s5[i]
        value = w0[i] * s0[i] + w1[i] * c1 + w2[i] * c2 + w3[i] * c3
        value += w4[i] * c4 + w5[i] * c5 + w6[i] * s6[i]
        floor = c1 if c1 < c2 else c2
        other = c3 if c3 < c4 else c4
        floor = floor if floor < other else other
        floor = floor if floor < c5 else c5
        top = c1 if c1 > c2 else c2
        other = c3 if c3 > c4 else c4
        top = top if top > other else other
        top = top if top > c5 else c5
        limit = floor - slack - share * (top - floor)
        out[i] = value if value > limit else limit


@inner_fast
def _weigh(weights: F32, phase: float, taps: F32) -> None:
    """Look up the six weights at a phase, between the table's steps."""
    at = phase * PHASES + MARGIN
    j = int(at)
    rest = np.float32(at - j)
    for k in range(6):
        taps[k] = weights[j, k] + rest * (weights[j + 1, k] - weights[j, k])


@inner_fast
def _even_row(
    source: F32, start: int, out: F32, n: int, phase: float, slope: float, weights: F32,
    taps: F32, slack: np.float32, share: np.float32,
) -> None:  # fmt: skip
    """Filter one row in runs whose phase moves by at most FLAT."""
    longest = n
    if abs(slope) * n > FLAT:
        longest = int(FLAT / abs(slope)) // 8 * 8
    i = 0
    while i < n:
        count = min(longest, n - i)
        middle = phase + slope * (i + 0.5 * (count - 1))
        base = int(np.floor(middle))
        _weigh(weights, middle - base, taps)
        _even_run(source, start + i + base - 2, out[i:], count, taps, slack, share)
        i += count


@inner_fast
def _straight_line(
    phase: float, slope: float, count: int, weights: F32, low: F32, rise: F32
) -> int:
    """Put weights that change by at most BENT on a straight line; return the first's pixel."""
    base = int(np.floor(phase + slope * (0.5 * (count - 1))))
    # From the middle of the run its ends lie at most BENT / 2 outside
    # [0, 1], where the table still holds weights.
    _weigh(weights, phase - base, low)
    _weigh(weights, phase + slope * (count - 1) - base, rise)
    part = np.float32(1.0 / max(count - 1, 1))
    for k in range(6):
        rise[k] = (rise[k] - low[k]) * part
    return base


@inner_fast
def _straight_length(slope: float, n: int) -> int:
    """Return how many of n pixels a straight line may serve."""
    return n if abs(slope) * n <= BENT else max(8, int(BENT / abs(slope)) // 8 * 8)


@inner_fast
def _straight_row(
    source: F32, start: int, out: F32, n: int, phase: float, slope: float,
    weights: F32, low: F32, rise: F32, ramp: F32, slack: np.float32, share: np.float32,
) -> None:  # fmt: skip
    """Filter one row in runs whose phase moves by at most BENT."""
    longest = _straight_length(slope, n)
    i = 0
    while i < n:
        count = min(longest, n - i)
        base = _straight_line(phase + slope * i, slope, count, weights, low, rise)
        at = start + i + base - 2
        _straight_run(source, at, out[i:], count, low, rise, ramp, slack, share)
        i += count


@inner_fast
def _lay(
    phase: float, slope: float, n: int, weights: F32, low: F32, rise: F32, ramp: F32, laid: F32
) -> tuple[int, int]:
    """Lay out the weights of n columns; return the first's row and where the next begins.

    The phase, and so the row, changes by less than 1 over the columns.
    """
    longest = _straight_length(slope, n)
    first, turn = 0, n
    i = 0
    while i < n:
        count = min(longest, n - i)
        base = _straight_line(phase + slope * i, slope, count, weights, low, rise)
        if i == 0:
            first = base
        elif base != first and turn == n:
            turn = i
        for k in range(6):
            line, start, step = laid[k, i : i + count], low[k], rise[k]
            for m in range(count):
                line[m] = start + ramp[m] * step
        i += count
    return first, turn


@inner_fast
def _strip_row(
    source: F32, start: int, stride: int, out: F32, n: int, phase: float, slope: float,
    strips: F32, slack: np.float32, share: np.float32,
) -> None:  # fmt: skip
    """Filter one row in runs that pass at most one pixel boundary."""
    fine = strips.shape[0]
    run = min(BLOCK, max(int(1.0 / abs(slope)) // 8 * 8, 1))
    origin = 0.0 if slope > 0 else 2.0
    i = 0
    while i < n:
        count = min(run, n - i)
        left = phase + slope * i
        right = phase + slope * (i + count - 1)
        base = int(np.floor(min(left, right)))
        step = int((left - base - origin) / slope * fine + 0.5)
        first = step // fine
        at = start + i + (base - 2) * stride
        _strip_run(
            source, at, stride, out[i:], count, strips[step - first * fine], first, slack, share
        )
        i += count


@inner_fast
def _filter_row(
    source: F32, start: int, stride: int, out: F32, n: int, phase: float, slope: float,
    weights: F32, strips: F32, low: F32, rise: F32, ramp: F32, slack: np.float32,
    share: np.float32,
) -> None:  # fmt: skip
    """Filter one row along itself (`stride` is 1) in the way that its slope asks for."""
    if strips.shape[0] > 0:
        _strip_row(source, start, stride, out, n, phase, slope, strips, slack, share)
    elif abs(slope) <= _EVEN:
        _even_row(source, start, out, n, phase, slope, weights, low, slack, share)
    else:
        _straight_row(source, start, out, n, phase, slope,
                      weights, low, rise, ramp, slack, share)  # fmt: skip


@compiled_fast
def transpose(block: F32) -> F32:
    """Swap rows and columns, in squares that stay in the cache.

    Parameters
    ----------
    block : ndarray, shape (ny, nx), float32
        Pixels.

    Returns
    -------
    ndarray, shape (nx, ny), float32
        New, C-contiguous.
    """
    ny, nx = block.shape
    out = np.empty((nx, ny), dtype=np.float32)
    side = 16
    for top in range(0, ny, side):
        for left in range(0, nx, side):
            for x in range(left, min(left + side, nx)):
                for y in range(top, min(top + side, ny)):
                    out[x, y] = block[y, x]
    return out


@inner_fast
def copy_row(
    row: F32, at: int, step: int, first: int, scale: np.float32, offset: np.float32, out: F32,
    n: int,
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
    begin = min(max(at - first, 0), n)
    end = max(min(at + width - first, n), begin)
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


@compiled_fast
def two_passes(
    block: F32, row0: int, column0: int, shape: tuple[int, int], flips: tuple[bool, bool],
    inverse: NDArray[np.float64], y0: int, x0: int, out: F32, weights: F32, strips_x: F32,
    strips_y: F32, levels: F32,
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
    """
    height, width = out.shape
    ny, nx = shape
    flip_y, flip_x = flips
    step = -1 if flip_x else 1
    at = nx - column0 - block.shape[1] if flip_x else column0
    slack, share, scale, offset = levels[0], levels[1], levels[2], levels[3]
    a, b, c = inverse[0, 0], inverse[0, 1], inverse[0, 2]
    d, e, f = inverse[1, 0], inverse[1, 1], inverse[1, 2]
    # At a fixed column X, the sub's row V is met where Y = (V − d X − f) / e.
    along, across, shift = a - b * d / e, b / e, c - b * f / e
    # `middle` holds the rows that the first pass left behind and the second
    # still needs, and a few more; it slides down the sub.
    reach = int(abs(d) * BLOCK) + 12
    depth = reach + SLIDE
    middle = np.empty((depth, PITCH), dtype=np.float32)
    flat = middle.reshape(-1)
    laid = np.empty((6, PITCH), dtype=np.float32)
    window = np.empty(int(along * BLOCK) + 16, dtype=np.float32)
    low = np.empty(8, dtype=np.float32)
    rise = np.empty(8, dtype=np.float32)
    ramp = np.arange(BLOCK).astype(np.float32)
    # From an array, for numba compiles a function anew for each literal number.
    numbers = np.array([0, 1, PITCH])
    zero, one, pitch = numbers[0], numbers[1], numbers[2]
    # Rows over which the phase of the second pass moves by at most FLAT.
    together = int(min(FLAT / max(abs(e - 1.0), 1e-12), float(_TOGETHER)))
    together = max(together, 1)
    left = x0
    while left < x0 + width:
        n = min(BLOCK - left % BLOCK, x0 + width - left)
        lean = d * (n - 1)
        first = int(np.floor(d * left + (e * y0 + f) + min(lean, 0.0))) - 3
        ready = first  # rows before this one have gone through the first pass
        group = -1  # of rows whose weights are laid out
        for y in range(height):
            # Whole rows and fractions apart, and counted from the grid's
            # first row: the bits then do not depend on where the rectangle
            # starts.
            v = d * left + (e * (y0 + y) + f)
            base = int(np.floor(v))
            needed = int(np.floor(v + max(lean, 0.0))) + 5
            if needed - first >= depth:
                lowest = int(np.floor(v + min(lean, 0.0))) - 3
                for k in range(ready - lowest):
                    shifted, kept = middle[k], middle[k + lowest - first]
                    for i in range(n):  # slices assigned to slices take seconds to compile
                        shifted[i] = kept[i]
                first = lowest
            while ready <= needed:
                u = along * left + across * ready + shift
                start = int(np.floor(u))
                row = ny - 1 - ready if flip_y else ready
                row = min(max(row, row0), row0 + block.shape[0] - 1)
                count = int(along * n) + 12
                copy_row(block[row - row0], at, step, start - 3, scale, offset, window, count)
                into = middle[ready - first]
                _filter_row(window, one + 2, one, into, n, u - start, along - 1.0,
                            weights, strips_x, low, rise, ramp, slack, share)  # fmt: skip
                ready += 1
            line = out[y, left - x0 : left - x0 + n]
            if strips_y.shape[0] > 0:
                _strip_row(flat, (base - first) * PITCH, pitch, line, n, v - base, d,
                           strips_y, slack, share)  # fmt: skip
                continue
            if group != (y0 + y) // together:
                group = (y0 + y) // together
                centre = (group + 0.5) * together - 0.5
                # The same for all rows but for whole pixels, as e is nearly 1.
                phase = d * left + ((e - 1.0) * centre + f)
                lead, turn = _lay(phase, d, n, weights, low, rise, ramp, laid)
            top = (y0 + y + lead - 2 - first) * PITCH
            _laid_run(flat, top, line, turn, laid, zero, slack, share)
            if turn < n:
                top += (1 if d > 0 else -1) * PITCH + turn
                _laid_run(flat, top, line[turn:], n - turn, laid, turn, slack, share)
        left += n
