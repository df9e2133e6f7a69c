"""The kernel that resamples at any angle: 6×6 taps for every pixel."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import lower, upper
from stackbench.registration.lanczos import MARGIN, PHASES
from stackbench.registration.resampling_passes import copy_row
from stackbench.registration.taps import weigh_square

F32 = NDArray[np.float32]

_FORWARD = np.int64(1)  # typed, as numba compiles a kernel anew for a plain number


def padding_room(block: F32) -> F32:
    """Make room for a block with its outermost pixels repeated around it.

    Parameters
    ----------
    block : ndarray, shape (rows, columns), float32
        The part of the sub that is wanted.

    Returns
    -------
    ndarray, shape (rows + 12, columns + 16), float32
        Not initialised.
    """
    return np.empty((block.shape[0] + 12, block.shape[1] + 16), dtype=np.float32)


@compiled
def square_taps(
    block: F32, row0: int, column0: int, inverse: NDArray[np.float64],
    y0: int, x0: int, out: F32, weights: F32, levels: F32, padded: F32,
) -> None:  # fmt: skip
    """Resample a rectangle of the grid at any angle.

    Parameters
    ----------
    block : ndarray, shape (rows, columns), float32
        The part of the sub that the rectangle needs, every pixel finite; its
        outermost pixels repeat beyond it.
    row0, column0 : int
        Row and column of the sub where the block starts.
    inverse : ndarray, shape (2, 3), float64
        From the grid's (x, y, 1) to the sub's (u, v).
    y0, x0 : int
        First row and column of the rectangle on the grid.
    out : ndarray, shape (rows, columns), float32
        The rectangle; filled.
    weights : ndarray
        From `phase_table`.
    levels : ndarray, shape (4,), float32
        The slack and the share of the ringing limit, then the factor and the
        summand applied to every pixel; the slack in units of the result.
    padded : ndarray, float32
        From `padding_room`; filled.
    """
    height, width = out.shape
    slack, share, scale, offset = levels[0], levels[1], levels[2], levels[3]
    top, left = row0 - 6, column0 - 6
    rows, columns = padded.shape
    for k in range(rows):
        row = block[lower(upper(k - 6, 0), block.shape[0] - 1)]
        copy_row(row, column0, _FORWARD, left, scale, offset, padded[k], columns)
    pixels = padded.reshape(-1)
    table = weights.reshape(-1)
    for j in range(height):
        y = float(y0 + j)
        u0 = inverse[0, 1] * y + inverse[0, 2]
        v0 = inverse[1, 1] * y + inverse[1, 2]
        for i in range(width):
            u, v = inverse[0, 0] * (x0 + i) + u0, inverse[1, 0] * (x0 + i) + v0
            m, n = np.int64(np.floor(u)), np.int64(np.floor(v))
            right = np.int64((u - m) * PHASES + 0.5) + MARGIN
            down = np.int64((v - n) * PHASES + 0.5) + MARGIN
            # Beyond the sub any pixel will do: the result is made NaN later.
            m = lower(upper(m - left, 2), columns - 7)
            n = lower(upper(n - top, 2), rows - 4)
            at = (n - 2) * columns + m - 2
            out[j, i] = weigh_square(pixels, at, columns, table, right * 8, down * 8, slack, share)
