"""Kernels of κσ clipping on one lane block whose columns are sorted.

The limits of a lane are a centre and a reach to both sides. In a sorted column
the values within them are one run, so that only the rows at both ends need to be
held against them: the walk inwards stops at the first row that lies within them
in every lane.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import inner_fast
from stackbench.frames.instructions import where
from stackbench.rejection.lanes import FOUR, NONE, ONE, THREE, TWO, WIDTH, Index, lower, upper
from stackbench.rejection.sorting import FIRST_FREE, MEDIAN, VALID, Lanes

_ZERO = np.float32(0)
_HALF = np.float32(0.5)
_UNIT = np.float32(1)
_TWO = np.float32(2)
_SAME = np.float32(1e-3)  # of the reach: no value came or went
_FEW = np.float32(12)  # distinct counts up to which selecting beats looking up

UNLIMITED = np.float32(3e38)  # finite, so that missing values stay outside

# Fields of the block's buffer that the clip adds.
CENTRE = WIDTH * FIRST_FREE
REACH = WIDTH * (FIRST_FREE + np.uint64(1))
KEPT_BEFORE = WIDTH * (FIRST_FREE + np.uint64(2))
TOTAL_BEFORE = WIDTH * (FIRST_FREE + np.uint64(3))
KEPT = WIDTH * (FIRST_FREE + np.uint64(4))
TOTAL = WIDTH * (FIRST_FREE + np.uint64(5))  # of (value - median), kept values
SQUARES = WIDTH * (FIRST_FREE + np.uint64(6))
LOW_FACTOR = WIDTH * (FIRST_FREE + np.uint64(7))
HIGH_FACTOR = WIDTH * (FIRST_FREE + np.uint64(8))
BELOW = WIDTH * (FIRST_FREE + np.uint64(9))
CHANGED = WIDTH * (FIRST_FREE + np.uint64(10))
CLIP_FREE = FIRST_FREE + np.uint64(11)


@inner_fast
def gather(columns: Lanes, depth: Index, block: Lanes) -> None:
    """Sum the values within the limits.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        block[KEPT + i] = _ZERO
        block[TOTAL + i] = _ZERO
        block[SQUARES + i] = _ZERO
    bottom = NONE
    top = depth
    while bottom + ONE < top:
        top -= ONE
        outside = _add_ends(columns, bottom * WIDTH, top * WIDTH, block)
        bottom += ONE
        if outside == _ZERO:
            break
    if top - bottom == ONE:
        # The middle row of an odd depth, alone.
        _add_ends(columns, bottom * WIDTH, bottom * WIDTH, block)
        return
    inner = top - bottom
    quarter = inner // FOUR
    for i in range(WIDTH):
        block[KEPT + i] += np.float32(inner)
    # Inner rows in fours, one from each quarter: what they add stays near 0.
    for d in range(quarter):
        _add_four(columns, (bottom + d) * WIDTH, quarter * WIDTH, block)
    for d in range(bottom + FOUR * quarter, top):
        row = d * WIDTH
        for i in range(WIDTH):
            residual = columns[row + i] - block[MEDIAN + i]
            block[TOTAL + i] += residual
            block[SQUARES + i] += residual * residual


@inner_fast
def _add_four(columns: Lanes, row: Index, step: Index, block: Lanes) -> None:
    """Add four rows that lie wholly within the limits."""
    for i in range(WIDTH):
        median = block[MEDIAN + i]
        a = columns[row + i] - median
        b = columns[row + step + i] - median
        c = columns[row + TWO * step + i] - median
        d = columns[row + THREE * step + i] - median
        block[TOTAL + i] += (a + d) + (b + c)
        block[SQUARES + i] += (a * a + d * d) + (b * b + c * c)


@inner_fast
def _add_ends(columns: Lanes, low_row: Index, high_row: Index, block: Lanes) -> np.float32:
    """Add what two rows (or one, if they are the same) have within the limits.

    Returns the number of values outside.
    """
    second = _ZERO if low_row == high_row else _UNIT
    outside = _ZERO
    for i in range(WIDTH):
        centre = block[CENTRE + i]
        reach = block[REACH + i]
        median = block[MEDIAN + i]
        low = columns[low_row + i]
        high = columns[high_row + i]
        low_in = where(abs(low - centre) <= reach, _UNIT, _ZERO)
        high_in = where(abs(high - centre) <= reach, second, _ZERO)
        low = where(low_in > _ZERO, low - median, _ZERO)
        high = where(high_in > _ZERO, high - median, _ZERO)
        inside = low_in + high_in
        block[KEPT + i] += inside
        block[TOTAL + i] += low + high
        block[SQUARES + i] += low * low + high * high
        outside += (_UNIT + second) - inside
    return outside


@inner_fast
def tighten(
    depth: Index,
    factors: NDArray[np.float32],
    kappa: NDArray[np.float32],
    noise: np.float32,
    shift: np.float32,
    block: Lanes,
) -> None:
    """Set the next limits of all lanes from the values they keep.

    Where one or two values are all there is, they stay within the limits.

    `factors` holds, for m kept values, the low and high limit in units of
    their standard deviation: at 4m and 4m + 1 when others were rejected, at
    4m + 2 and 4m + 3 when none was.

    Parameters
    ----------
    depth : int
        Number of layers.
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    kappa : ndarray, shape (2,), float32
        κ below and above the centre.
    noise : float32
        Expected noise, typical of the layers; 0 if it is not known.
    shift : float32
        What unequal κ displace the mean by, in units of the spread.
    block : ndarray, float32
        The block's fields.
    """
    look_up(factors, depth, block)
    for i in range(WIDTH):
        kept = block[KEPT + i]
        ahead, reach = _limits(
            kept,
            kept == block[VALID + i],
            block[TOTAL + i],
            block[SQUARES + i],
            block[LOW_FACTOR + i],
            block[HIGH_FACTOR + i],
            kappa[0] * noise,
            kappa[1] * noise,
            shift,
        )
        block[KEPT_BEFORE + i] = kept
        block[TOTAL_BEFORE + i] = block[TOTAL + i]
        block[CENTRE + i] = block[MEDIAN + i] + ahead
        block[REACH + i] = reach


@inner_fast
def _limits(
    kept: np.float32,
    whole: np.bool_,
    total: np.float32,
    squares: np.float32,
    low_factor: np.float32,
    high_factor: np.float32,
    least_low: np.float32,
    least_high: np.float32,
    shift: np.float32,
) -> tuple[np.float32, np.float32]:
    """Work out the limits, from the median, that follow from the values kept.

    `shift` undoes the displacement of the mean by unequal limits. The limits
    are never narrower than those of the expected noise alone. A value scatters
    about a mean that holds it by sqrt(1 - 1/m) of its noise, about one that
    does not by sqrt(1 + 1/m).
    """
    count = upper(kept, _UNIT)
    degrees = upper(kept - _UNIT, _UNIT)
    inverse = _UNIT / (count * degrees)
    mean = total * inverse * degrees
    spread = np.sqrt(upper((squares - total * mean) * inverse * count, _ZERO))
    least = _ZERO
    if least_high > _ZERO:
        least = np.sqrt(_UNIT + where(whole, -_UNIT, _UNIT) * inverse * degrees)
    low = lower(upper(spread * low_factor, least * least_low), UNLIMITED)
    high = lower(upper(spread * high_factor, least * least_high), UNLIMITED)
    centre = mean - where(whole, _ZERO, shift) * spread + (high - low) * _HALF
    return centre, (high + low) * _HALF


@inner_fast
def settle(
    columns: Lanes,
    depth: Index,
    factors: NDArray[np.float32],
    kappa: NDArray[np.float32],
    noise: np.float32,
    shift: np.float32,
    iterations: int,
    block: Lanes,
) -> None:
    """Go on, lane by lane, where the last limits kept another set of values.

    By then these are so few that working on whole rows would not pay.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    kappa : ndarray, shape (2,), float32
        κ below and above the centre.
    noise : float32
        Expected noise, typical of the layers; 0 if it is not known.
    shift : float32
        What unequal κ displace the mean by, in units of the spread.
    iterations : int
        Most passes.
    block : ndarray, float32
        The block's fields.
    """
    changed = _ZERO
    for i in range(WIDTH):
        drift = abs(block[TOTAL + i] - block[TOTAL_BEFORE + i])
        other = block[KEPT + i] != block[KEPT_BEFORE + i]
        flag = where(other | (drift > _SAME * block[REACH + i]), _UNIT, _ZERO)
        block[CHANGED + i] = flag
        changed += flag
    if changed == _ZERO:
        return
    for i in range(WIDTH):
        if block[CHANGED + i] == _ZERO:
            continue
        median = block[MEDIAN + i]
        kept = block[KEPT + i]
        total = block[TOTAL + i]
        squares = block[SQUARES + i]
        for _ in range(iterations):
            if kept < _TWO:
                break
            whole = kept == block[VALID + i]
            line = FOUR * np.uint64(np.int32(kept)) + (TWO if whole else NONE)
            ahead, reach = _limits(
                kept,
                whole,
                total,
                squares,
                factors[line],
                factors[line + ONE],
                kappa[0] * noise,
                kappa[1] * noise,
                shift,
            )
            centre = median + ahead
            kept_before = kept
            total_before = total
            kept = _ZERO
            exact = 0.0
            squares = _ZERO
            for d in range(depth):
                value = columns[d * WIDTH + i]
                inside = abs(value - centre) <= reach
                residual = where(inside, value - median, _ZERO)
                kept += where(inside, _UNIT, _ZERO)
                exact += np.float64(residual)
                squares += residual * residual
            total = np.float32(exact)
            block[CENTRE + i] = centre
            block[REACH + i] = reach
            if kept == kept_before and abs(total - total_before) <= _SAME * reach:
                break
        block[KEPT + i] = kept
        block[TOTAL + i] = total
        block[SQUARES + i] = squares


@inner_fast
def look_up(factors: NDArray[np.float32], depth: Index, block: Lanes) -> None:
    """Fetch the factors that belong to each lane's count.

    Parameters
    ----------
    factors : ndarray, float32
        Limits for each count, as the tables of `limits` give them.
    depth : int
        Number of layers.
    block : ndarray, float32
        The block's fields.
    """
    full = np.float32(depth)
    fewest = full
    least_valid = full
    for i in range(WIDTH):
        fewest = lower(fewest, block[KEPT + i])
        least_valid = lower(least_valid, block[VALID + i])
    if least_valid < full or full - fewest > _FEW:
        for i in range(WIDTH):
            kept = block[KEPT + i]
            line = FOUR * np.uint64(np.int32(kept))
            line += TWO if kept == block[VALID + i] else NONE
            block[LOW_FACTOR + i] = factors[line]
            block[HIGH_FACTOR + i] = factors[line + ONE]
        return
    # All columns are full and few counts occur: selecting beats looking up.
    line = FOUR * np.uint64(np.int32(full)) + TWO
    for i in range(WIDTH):
        whole = block[KEPT + i] == full
        block[LOW_FACTOR + i] = where(whole, factors[line], _ZERO)
        block[HIGH_FACTOR + i] = where(whole, factors[line + ONE], _ZERO)
    count = fewest
    while count < full:
        line = FOUR * np.uint64(np.int32(count))
        low = factors[line]
        high = factors[line + ONE]
        for i in range(WIDTH):
            hit = block[KEPT + i] == count
            block[LOW_FACTOR + i] += where(hit, low, _ZERO)
            block[HIGH_FACTOR + i] += where(hit, high, _ZERO)
        count += _UNIT


@inner_fast
def count_below(columns: Lanes, depth: Index, block: Lanes) -> None:
    """Count the values below the limits.

    Parameters
    ----------
    columns : ndarray, shape (depth × LANES,), float32
        The block's columns, sorted, row after row.
    depth : int
        Number of layers.
    block : ndarray, float32
        The block's fields.
    """
    for i in range(WIDTH):
        # Half of the missing values, rounded down, stand there as -inf.
        block[BELOW + i] = -np.floor((np.float32(depth) - block[VALID + i]) * _HALF)
    for d in range(depth):
        row = d * WIDTH
        found = _ZERO
        for i in range(WIDTH):
            low = columns[row + i] - block[CENTRE + i] < -block[REACH + i]
            block[BELOW + i] += where(low, _UNIT, _ZERO)
            found += where(low, _UNIT, _ZERO)
        if found == 0:
            break
