"""Kernel that follows the subs' noise into the mean of those that were kept."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled, inner_fast
from stackbench.frames.instructions import lower

F32 = NDArray[np.float32]
U16 = NDArray[np.uint16]


_CHUNK = 2048  # pixels whose sums stay in the cache


def make_sums() -> F32:
    """Make working space for `noise_of_mean`.

    Returns
    -------
    ndarray, float32
        For one call at a time.
    """
    return np.empty((2, _CHUNK), dtype=np.float32)


@inner_fast
def _add(total: F32, variance: F32, w: np.float32, v: np.float32) -> None:
    for i in range(total.shape[0]):
        total[i] += w
        variance[i] += v


@inner_fast
def _add_where_finite(
    row: F32, total: F32, variance: F32, w: np.float32, v: np.float32
) -> None:  # fmt: skip
    for i in range(row.shape[0]):
        # x − x is 0, or NaN if x is not finite.
        nothing = row[i] - row[i]
        there = np.float32(1.0) if nothing == np.float32(0.0) else np.float32(0.0)
        total[i] += there * w
        variance[i] += there * v


@compiled
def noise_of_mean(
    cube: F32, complete: NDArray[np.bool_], weights: F32, noise: F32, kept: U16, low: U16,
    high: U16, sums: F32, out: F32,
) -> None:  # fmt: skip
    """Predict 1σ of the weighted mean of each pixel.

    Of the subs that cover a pixel it is known how many were rejected there,
    not which: their share is taken from all alike.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32
        The scaled pixels, NaN where missing.
    complete : ndarray, shape (depth,), bool
        Whether a sub is known to miss no pixel here.
    weights, noise : ndarray, shape (depth,), float32
        Each sub's weight, and its background's σ after scaling.
    kept, low, high : ndarray, shape (n,), uint16
        How many values were kept, and rejected on either side.
    sums : ndarray, float32
        From `make_sums`.
    out : ndarray, shape (n,), float32
        √Σw²σ² / Σw of the kept; NaN where none is.
    """
    n = out.shape[0]
    total, variance = sums[0], sums[1]
    for start in range(0, n, _CHUNK):
        count = lower(_CHUNK, n - start)
        total[:] = 0.0
        variance[:] = 0.0
        for k in range(cube.shape[0]):
            w = weights[k]
            v = w * w * noise[k] * noise[k]
            if complete[k]:
                _add(total, variance, w, v)
            else:
                _add_where_finite(cube[k, start : start + count], total, variance, w, v)
        for i in range(count):
            at = start + i
            left = np.float32(kept[at])
            found = left + np.float32(low[at]) + np.float32(high[at])
            sigma = np.sqrt(variance[i] * found / left) / total[i]
            out[at] = sigma if left > 0 else np.float32(np.nan)
