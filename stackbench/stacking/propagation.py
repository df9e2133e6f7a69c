"""Kernel that follows the subs' noise into the mean of those that were kept."""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled

F32 = NDArray[np.float32]
U16 = NDArray[np.uint16]


@compiled
def noise_of_mean(
    cube: F32, complete: NDArray[np.bool_], weights: F32, noise: F32, kept: U16, low: U16,
    high: U16, out: F32,
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
    out : ndarray, shape (n,), float32
        √Σw²σ² / Σw of the kept; NaN where none is.
    """
    n = out.shape[0]
    total = np.zeros(n, dtype=np.float32)
    variance = np.zeros(n, dtype=np.float32)
    total_all, variance_all = np.float32(0.0), np.float32(0.0)
    for k in range(cube.shape[0]):
        w = weights[k]
        v = w * w * noise[k] * noise[k]
        if complete[k]:
            total_all += w
            variance_all += v
            continue
        row = cube[k]
        for i in range(n):
            there = np.float32(1.0) if np.isfinite(row[i]) else np.float32(0.0)
            total[i] += there * w
            variance[i] += there * v
    for i in range(n):
        found = np.float32(kept[i]) + np.float32(low[i]) + np.float32(high[i])
        share = found / np.float32(kept[i])
        sigma = np.sqrt((variance[i] + variance_all) * share) / (total[i] + total_all)
        out[i] = sigma if kept[i] > 0 else np.float32(np.nan)
