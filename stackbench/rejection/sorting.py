"""Kernels that load a lane block, sort its columns, and read ranks off them."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.lanes import NONE, ONE, TWO, WIDTH, Index, lower, upper

Lanes = NDArray[np.float32]

_INFINITY = np.float32(np.inf)
_HALF = np.float32(0.5)
_ZERO = np.float32(0)
_UNIT = np.float32(1)

# Fields of the block's buffer, as offsets in lanes.
VALID = WIDTH * np.uint64(0)  # finite values in the column
MEDIAN = WIDTH * np.uint64(1)
MAD = WIDTH * np.uint64(2)
RANKED = WIDTH * np.uint64(3)  # working space of this module
NEXT_RANKED = WIDTH * np.uint64(4)
SIGN = WIDTH * np.uint64(5)
FIRST_FREE = np.uint64(6)


@inner_fast
def load(
    cube: NDArray[np.float32],
    start: Index,
    width: Index,
    columns: Lanes,
    block: Lanes,
) -> bool:
    """Copy one block out of the cube, to be sorted; tell whether values are missing.

    Missing values (NaN or infinite) become +inf and -inf in turn, so that the
    median stays in the middle rows whatever their count.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        Values; not modified.
    start : int
        The block's first pixel.
    width : int
        Its number of pixels, at most `LANES`.
    columns : ndarray, shape (depth × LANES,), float32
        Written to, row after row.
    block : ndarray, float32
        The block's fields.

    Returns
    -------
    bool
        Whether values are missing.
    """
    depth = np.uint64(cube.shape[0])
    if width == WIDTH and _copy_whole(cube, start, columns):
        for i in range(WIDTH):
            block[VALID + i] = np.float32(depth)
        return False
    for i in range(WIDTH):
        block[VALID + i] = _ZERO
        block[SIGN + i] = _INFINITY
    for d in range(depth):
        row = d * WIDTH
        for i in range(width):
            value = cube[d, start + i]
            sign = block[SIGN + i]
            present = abs(value) < _INFINITY
            columns[row + i] = where(present, value, sign)
            block[SIGN + i] = sign * where(present, _UNIT, -_UNIT)
            block[VALID + i] += where(present, _UNIT, _ZERO)
        for i in range(width, WIDTH):
            columns[row + i] = _INFINITY
    return True


@inner_fast
def _copy_whole(cube: NDArray[np.float32], start: Index, columns: Lanes) -> np.bool_:
    """Copy a full block; tell whether every value is finite."""
    depth = np.uint64(cube.shape[0])
    missing = _ZERO
    paired = depth - depth % TWO
    for d in range(NONE, paired, TWO):
        row = d * WIDTH
        for i in range(WIDTH):
            one = cube[d, start + i]
            other = cube[d + ONE, start + i]
            columns[row + i] = one
            columns[row + WIDTH + i] = other
            # 0 times anything finite is 0; NaN and infinity give NaN.
            missing += one * _ZERO + other * _ZERO
    if paired < depth:
        row = paired * WIDTH
        for i in range(WIDTH):
            one = cube[paired, start + i]
            columns[row + i] = one
            missing += one * _ZERO
    return np.bool_(missing == _ZERO)


@inner_fast
def sort(columns: Lanes, steps: NDArray[np.uint64]) -> None:
    """Sort every column of the block with a sorting network.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, row after row; sorted in place.
    steps : ndarray, shape (steps, 4), uint64
        The sorting network.
    """
    for step in range(steps.shape[0]):
        a = WIDTH * steps[step, 0]
        b = WIDTH * steps[step, 1]
        c = WIDTH * steps[step, 2]
        d = WIDTH * steps[step, 3]
        if a == b:
            _sort_eight(columns, a)
        elif b == c:
            for i in range(WIDTH):
                one = columns[a + i]
                other = columns[b + i]
                columns[a + i] = lower(one, other)
                columns[b + i] = upper(one, other)
        else:
            for i in range(WIDTH):
                from_a = columns[a + i]
                from_b = columns[b + i]
                from_c = columns[c + i]
                from_d = columns[d + i]
                left = upper(from_a, from_c)
                right = lower(from_b, from_d)
                columns[a + i] = lower(from_a, from_c)
                columns[b + i] = lower(left, right)
                columns[c + i] = upper(left, right)
                columns[d + i] = upper(from_b, from_d)


@inner_fast
def _sort_eight(columns: Lanes, first: Index) -> None:
    """Sort eight neighbouring rows, 19 comparators in registers (Batcher's)."""
    for i in range(WIDTH):
        a = columns[first + i]
        b = columns[first + WIDTH + i]
        c = columns[first + TWO * WIDTH + i]
        d = columns[first + np.uint64(3) * WIDTH + i]
        e = columns[first + np.uint64(4) * WIDTH + i]
        f = columns[first + np.uint64(5) * WIDTH + i]
        g = columns[first + np.uint64(6) * WIDTH + i]
        h = columns[first + np.uint64(7) * WIDTH + i]
        a, b = lower(a, b), upper(a, b)
        c, d = lower(c, d), upper(c, d)
        e, f = lower(e, f), upper(e, f)
        g, h = lower(g, h), upper(g, h)
        a, c = lower(a, c), upper(a, c)
        b, d = lower(b, d), upper(b, d)
        e, g = lower(e, g), upper(e, g)
        f, h = lower(f, h), upper(f, h)
        b, c = lower(b, c), upper(b, c)
        f, g = lower(f, g), upper(f, g)
        a, e = lower(a, e), upper(a, e)
        b, f = lower(b, f), upper(b, f)
        c, g = lower(c, g), upper(c, g)
        d, h = lower(d, h), upper(d, h)
        c, e = lower(c, e), upper(c, e)
        d, f = lower(d, f), upper(d, f)
        b, c = lower(b, c), upper(b, c)
        d, e = lower(d, e), upper(d, e)
        f, g = lower(f, g), upper(f, g)
        columns[first + i] = a
        columns[first + WIDTH + i] = b
        columns[first + TWO * WIDTH + i] = c
        columns[first + np.uint64(3) * WIDTH + i] = d
        columns[first + np.uint64(4) * WIDTH + i] = e
        columns[first + np.uint64(5) * WIDTH + i] = f
        columns[first + np.uint64(6) * WIDTH + i] = g
        columns[first + np.uint64(7) * WIDTH + i] = h


@inner_fast
def medians(columns: Lanes, depth: Index, block: Lanes) -> None:
    """Read the median of each sorted column; 0 where nothing is valid.

    With the missing values half at each end, a column whose count has the
    parity of the depth has its median where a full one has it; any other has
    it half a row away.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    block : ndarray, float32
        The block's fields.
    """
    below = lower_middle(depth)
    under = below * WIDTH
    over = (below + ONE if depth > ONE else below) * WIDTH
    even_depth = depth % TWO == NONE
    for i in range(WIDTH):
        valid = block[VALID + i]
        low = columns[under + i]
        high = columns[over + i]
        even = np.floor(valid * _HALF) == valid * _HALF
        middle = where(even, (low + high) * _HALF, low if even_depth else high)
        block[MEDIAN + i] = where(valid > _ZERO, middle, _ZERO)


@inner_fast
def lower_middle(depth: Index) -> Index:
    """Tell the last row that may lie wholly below the median.

    Parameters
    ----------
    depth : int
        Number of layers.

    Returns
    -------
    int
        The row; 0 at a depth of one.
    """
    return (depth - TWO) // TWO if depth > ONE else NONE


@inner_fast
def deviations(columns: Lanes, depth: Index, block: Lanes) -> None:
    """Find each sorted column's median absolute deviation from its median.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    block : ndarray, float32
        The block's fields.
    """
    fewest = np.float32(depth)
    most = _ZERO
    for i in range(WIDTH):
        valid = block[VALID + i]
        fewest = lower(fewest, where(valid > _ZERO, valid, fewest))
        most = upper(most, valid)
    for i in range(WIDTH):
        block[MAD + i] = _ZERO
    # A count of 2h or 2h - 1 has its middle at the ranks h (and h + 1).
    last = (np.uint64(np.int32(most)) + ONE) // TWO
    rank = (np.uint64(np.int32(fewest)) + ONE) // TWO
    while rank <= last:
        if rank > NONE:
            _ranked(columns, depth, rank, block)
            half = np.float32(rank)
            for i in range(WIDTH):
                valid = block[VALID + i]
                mean = (block[RANKED + i] + block[NEXT_RANKED + i]) * _HALF
                deviation = where(valid == half + half, mean, block[RANKED + i])
                hit = (valid == half + half) | (valid == half + half - _UNIT)
                block[MAD + i] += where(hit, deviation, _ZERO)
        rank += ONE


@inner_fast
def _ranked(columns: Lanes, depth: Index, rank: Index, block: Lanes) -> None:
    """Find the deviations of the given rank k (from 1) and the next in each column.

    Above and below the median the sorted column gives two ascending lists of
    deviations. Pair the i-th of one with the (k + 1 - i)-th of the other: the
    smaller ones of all pairs are the k smallest deviations, so that the largest
    of these has rank k, and the least of what is left has rank k + 1.
    """
    below = lower_middle(depth)
    downward = below + ONE
    upward = depth - downward
    for i in range(WIDTH):
        block[RANKED + i] = _ZERO
        block[NEXT_RANKED + i] = _INFINITY
    # Pairs of which one list has none come first or last.
    first = rank + ONE - downward if rank + ONE > downward else ONE
    last = where(rank < upward, rank, upward)
    for up in range(ONE, first):
        high = (below + up) * WIDTH
        for i in range(WIDTH):
            above = columns[high + i] - block[MEDIAN + i]
            block[RANKED + i] = upper(block[RANKED + i], above)
    for up in range(last + ONE, rank + ONE):
        low = (downward - (rank + ONE - up)) * WIDTH
        for i in range(WIDTH):
            under = block[MEDIAN + i] - columns[low + i]
            block[RANKED + i] = upper(block[RANKED + i], under)
    count = last + ONE - first if last + ONE > first else NONE
    for up in range(first, first + count - count % TWO, TWO):
        high = (below + up) * WIDTH
        low = (downward - (rank + ONE - up)) * WIDTH
        for i in range(WIDTH):
            middle = block[MEDIAN + i]
            above = columns[high + i] - middle
            under = middle - columns[low + i]
            next_above = columns[high + WIDTH + i] - middle
            next_under = middle - columns[low + WIDTH + i]
            smaller = upper(lower(above, under), lower(next_above, next_under))
            larger = lower(upper(above, under), upper(next_above, next_under))
            block[RANKED + i] = upper(block[RANKED + i], smaller)
            block[NEXT_RANKED + i] = lower(block[NEXT_RANKED + i], larger)
    if count % TWO == ONE:
        high = (below + last) * WIDTH
        low = (downward - (rank + ONE - last)) * WIDTH
        for i in range(WIDTH):
            above = columns[high + i] - block[MEDIAN + i]
            under = block[MEDIAN + i] - columns[low + i]
            block[RANKED + i] = upper(block[RANKED + i], lower(above, under))
            block[NEXT_RANKED + i] = lower(block[NEXT_RANKED + i], upper(above, under))
    if rank < upward:
        high = (downward + rank) * WIDTH
        for i in range(WIDTH):
            above = columns[high + i] - block[MEDIAN + i]
            block[NEXT_RANKED + i] = lower(block[NEXT_RANKED + i], above)
    if rank < downward:
        low = (below - rank) * WIDTH
        for i in range(WIDTH):
            under = block[MEDIAN + i] - columns[low + i]
            block[NEXT_RANKED + i] = lower(block[NEXT_RANKED + i], under)
