"""Kernels for what the fast passes must not meet: bad pixels and the sub's edge.

The fast passes know no exceptions. So every bad pixel is filled from its
neighbours beforehand, and afterwards a result is made NaN where filled pixels,
or pixels that lie beyond the edge, carried more weight than `limit`.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled, inner, inner_fast
from stackbench.frames.instructions import lower, upper
from stackbench.registration.lanczos import MARGIN, PHASES, RADIUS

F32 = NDArray[np.float32]

REACH = 2
"""How far away a neighbour may be that fills a bad pixel, pixels."""

_PIECE = 128  # pixels that are looked at together

_NEAR = 2.0  # pixels; farther taps, of 0.029 at most, are not worth the search

_DEEP = np.float32(1e4)  # a pixel without good neighbours counts this many times


@inner_fast
def _is_finite(row: F32) -> bool:
    total = np.float32(0.0)
    for i in range(row.shape[0]):
        total += row[i] * np.float32(0.0)
    return bool(total == total)  # false for NaN only


@compiled
def bad_pixels(block: F32) -> NDArray[np.int64]:
    """List the pixels that are not finite.

    Parameters
    ----------
    block : ndarray, shape (ny, nx), float32
        Any pixels.

    Returns
    -------
    ndarray, shape (n, 2), int64
        Row and column of each, in the order of memory.
    """
    ny, nx = block.shape
    found = np.empty((64, 2), dtype=np.int64)
    n = 0
    for y in range(ny):
        for left in range(0, nx, _PIECE):
            row = block[y, left : lower(left + _PIECE, nx)]
            if _is_finite(row):
                continue
            if found.shape[0] < n + _PIECE:
                larger = np.empty((2 * n + _PIECE, 2), dtype=np.int64)
                for k in range(n):  # slices assigned to slices take seconds to compile
                    larger[k, 0], larger[k, 1] = found[k, 0], found[k, 1]
                found = larger
            for x in range(row.shape[0]):
                if not np.isfinite(row[x]):
                    found[n, 0], found[n, 1] = y, left + x
                    n += 1
    return found[:n]


@compiled
def fill_pixels(block: F32, bad: NDArray[np.int64], values: F32, counts: F32) -> None:
    """Fill bad pixels with the mean of the nearest good ones, in place.

    Parameters
    ----------
    block : ndarray, shape (ny, nx), float32
        Pixels, NaN where bad; those in `bad` are changed.
    bad : ndarray, shape (n, 2), int64
        From `bad_pixels`.
    values : ndarray, shape (n,), float32
        Working space.
    counts : ndarray, shape (n,), float32
        Ones; afterwards how often each bad pixel is to be counted: many times
        where no good pixel lies within reach and 0 had to be filled in.
    """
    ny, nx = block.shape
    for k in range(bad.shape[0]):
        y, x = bad[k, 0], bad[k, 1]
        total, n = 0.0, 0
        for reach in range(1, REACH + 1):
            for j in range(upper(y - reach, 0), lower(y + reach + 1, ny)):
                for i in range(upper(x - reach, 0), lower(x + reach + 1, nx)):
                    if np.isfinite(block[j, i]):
                        total += block[j, i]
                        n += 1
            if n > 0:
                break
        values[k] = total / n if n > 0 else 0.0
        if n == 0:
            counts[k] = _DEEP
    for k in range(bad.shape[0]):
        block[bad[k, 0], bad[k, 1]] = values[k]


@compiled
def void_near_bad(
    bad: NDArray[np.int64], counts: F32, row0: int, column0: int, seen: tuple[int, int, int],
    forward: NDArray[np.float64],
    inverse: NDArray[np.float64], shear: float, y0: int, x0: int, sizes: F32, limit: float,
    burden: NDArray[np.uint8], touched: NDArray[np.int64], out: F32,
) -> None:  # fmt: skip
    """Make results NaN in which bad pixels carry too much weight.

    Parameters
    ----------
    bad : ndarray, shape (n, 2), int64
        From `bad_pixels`.
    counts : ndarray, shape (n,), float32
        From `fill_pixels`.
    row0, column0 : int
        Row and column of the sub where its block starts.
    seen : tuple of int
        How the sub is seen: 1 if transposed, else 0; its last row if upside
        down, else -1; its last column if mirrored, else -1.
    forward, inverse : ndarray, shape (2, 3), float64
        From (u, v) to the grid's (x, y), and back.
    shear : float
        By how much the taps of one row lie further right than those of the
        row above (of the two passes; 0 for a kernel that is square in u, v).
    y0, x0 : int
        First row and column of the rectangle on the grid.
    sizes : ndarray
        From `size_table`.
    limit : float
        Largest sum of |weight| that bad pixels may have.
    burden : ndarray, shape (rows, columns), uint8
        Zeros, and zeros again afterwards.
    touched : ndarray, shape (n, 4), int64
        Working space.
    out : ndarray, shape (rows, columns), float32
        The rectangle; changed.
    """
    height, width = out.shape
    half_x = abs(forward[0, 0]) + abs(forward[0, 1] + shear * forward[0, 0]) + 1e-9
    half_y = abs(forward[1, 0]) + abs(forward[1, 1] + shear * forward[1, 0]) + 1e-9
    turn_x = inverse[0, 0] - shear * inverse[1, 0]
    turn_y = inverse[0, 1] - shear * inverse[1, 1]
    transposed, last_v, last_u = seen
    # Burdens are counted in steps of limit / 200: a small map stays in the cache.
    unit = 200.0 / limit
    for k in range(bad.shape[0]):
        v, u = bad[k, 0] + row0, bad[k, 1] + column0
        if transposed:
            u, v = v, u
        u = last_u - u if last_u >= 0 else u
        v = last_v - v if last_v >= 0 else v
        x = forward[0, 0] * u + forward[0, 1] * v + forward[0, 2]
        y = forward[1, 0] * u + forward[1, 1] * v + forward[1, 2]
        near = _NEAR if counts[k] == 1.0 else float(RADIUS)
        top = upper(np.int64(np.ceil(y - near * half_y)) - y0, 0)
        bottom = lower(np.int64(np.floor(y + near * half_y)) + 1 - y0, height)
        left = upper(np.int64(np.ceil(x - near * half_x)) - x0, 0)
        right = lower(np.int64(np.floor(x + near * half_x)) + 1 - x0, width)
        touched[k, 0], touched[k, 1], touched[k, 2], touched[k, 3] = top, bottom, left, right
        for j in range(top, bottom):
            dy = j + y0 - y
            for i in range(left, right):
                dx = i + x0 - x
                dv = abs(inverse[1, 0] * dx + inverse[1, 1] * dy)
                du = abs(turn_x * dx + turn_y * dy)
                if du >= near or dv >= near:
                    continue
                weight = sizes[np.int64(du * PHASES)] * sizes[np.int64(dv * PHASES)]
                steps = burden[j, i] + lower(weight * counts[k] * unit, 201.0)
                if steps > 200.0:
                    out[j, i] = np.nan
                burden[j, i] = np.uint8(lower(steps + 0.5, 201.0))
    for k in range(bad.shape[0]):
        for j in range(touched[k, 0], touched[k, 1]):
            for i in range(touched[k, 2], touched[k, 3]):
                burden[j, i] = 0


@inner
def _beyond(position: float, n: int, weights: F32) -> float:
    """Return the sum of |weight| of taps outside 0 … n − 1, in one axis."""
    base = np.int64(np.floor(position))
    row = weights[np.int64((position - base) * PHASES) + MARGIN]
    total = 0.0
    for k in range(6):
        tap = base - 2 + k
        if tap < 0 or tap > n - 1:
            total += abs(row[k])
    return total


@compiled
def void_outside(
    inverse: NDArray[np.float64], shape: tuple[int, int], y0: int, x0: int, weights: F32,
    limit: float, out: F32,
) -> int:  # fmt: skip
    """Make results NaN outside the sub, and where what lies beyond matters too much.

    Parameters
    ----------
    inverse : ndarray, shape (2, 3), float64
        From the grid's (x, y) to the sub's (u, v).
    shape : tuple of int
        The sub's (ny, nx).
    y0, x0 : int
        First row and column of the rectangle on the grid.
    weights : ndarray
        From `phase_table`.
    limit : float
        Largest sum of |weight| that pixels beyond the edge may have.
    out : ndarray, shape (rows, columns), float32
        The rectangle; changed.

    Returns
    -------
    int
        How many results were made NaN.
    """
    height, width = out.shape
    ny, nx = shape
    near = 1.0 / PHASES  # a result that sits on the outermost pixel belongs to it
    lost = 0
    for j in range(height):
        u0 = inverse[0, 0] * x0 + inverse[0, 1] * (y0 + j) + inverse[0, 2]
        v0 = inverse[1, 0] * x0 + inverse[1, 1] * (y0 + j) + inverse[1, 2]
        # Columns between `left` and `right` have all their taps inside.
        left, right = 0, width
        for axis in range(2):
            at, slope = (u0, inverse[0, 0]) if axis == 0 else (v0, inverse[1, 0])
            high = (nx if axis == 0 else ny) - 4.0
            if abs(slope) < 1e-12:
                if at < 2.0 or at > high:
                    right = left
                continue
            one, two = (2.0 - at) / slope, (high - at) / slope
            if one > two:
                one, two = two, one
            ahead = lower(upper(np.ceil(one), 0.0), float(width))
            behind = upper(lower(np.floor(two) + 1.0, float(width)), 0.0)
            left = upper(left, np.int64(ahead))
            right = lower(right, np.int64(behind))
        right = upper(left, right)
        for k in range(width - (right - left)):
            i = k if k < left else k + (right - left)
            u, v = u0 + inverse[0, 0] * i, v0 + inverse[1, 0] * i
            inside = -near <= u <= nx - 1 + near and -near <= v <= ny - 1 + near
            if inside:
                u, v = lower(upper(u, 0.0), nx - 1.0), lower(upper(v, 0.0), ny - 1.0)
                # Σ|w| of the other axis is at most 1.54.
                burden = 1.54 * (_beyond(u, nx, weights) + _beyond(v, ny, weights))
                inside = burden <= limit
            if not inside:
                out[j, i] = np.nan
                lost += 1
    return lost
