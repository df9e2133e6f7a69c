"""Pixels that a sub misses: filled before it is resampled, and what they spoil voided after.

All weights of a result sum to 1; it is void when missing pixels carry a sum of
|weight| above `MISSING_LIMIT`.
"""

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.room import Room
from stackbench.registration.lanczos import phase_table, size_table
from stackbench.registration.placement import Placement, Rectangle

MISSING_LIMIT = 0.1
"""Largest sum of |weight| that missing pixels may have in a result."""


def fill_gaps(block: NDArray[np.float32]) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Fill bad pixels from their neighbours, so that they do not ring.

    Parameters
    ----------
    block : ndarray, shape (ny, nx), float32, C-contiguous
        Part of a sub; its NaN and infinite pixels are changed.

    Returns
    -------
    bad : ndarray, shape (n, 2), int64
        Row and column of each.
    counts : ndarray, shape (n,), float32
        How often each is to be counted: 1, more where no good pixel was near.
    """
    from stackbench.registration import resampling_holes as holes

    bad = holes.bad_pixels(block)
    counts = np.ones(len(bad), np.float32)
    holes.fill_pixels(block, bad, np.empty_like(counts), counts)
    return bad, counts


def void_gaps(
    window: Rectangle,
    bad: NDArray[np.int64],
    counts: NDArray[np.float32],
    placement: Placement,
    area: Rectangle,
    memory: Room,
    out: NDArray[np.float32],
) -> int:
    """Make NaN what lies outside a sub or too near its bad pixels.

    Parameters
    ----------
    window : Rectangle
        Which part of the sub was read.
    bad, counts : ndarray
        From `fill_gaps`.
    placement : Placement
        From `place`.
    area : Rectangle
        Part of the grid.
    memory : Room
        Working space.
    out : ndarray, shape area.shape, float32, C-contiguous
        The resampled sub; changed.

    Returns
    -------
    int
        How many pixels lie outside.
    """
    from stackbench.registration import resampling_holes as holes

    shape, inverse, shear = placement.shape, placement.inverse, 0.0
    if placement.transposed:
        shape = shape[1], shape[0]
    if placement.in_two_passes:
        shear = float(inverse[0, 1] / inverse[1, 1])
    if len(bad):
        seen = (
            int(placement.transposed),
            shape[0] - 1 if placement.flips[0] else -1,
            shape[1] - 1 if placement.flips[1] else -1,
        )
        holes.void_near_bad(
            bad, counts, window.y0, window.x0, seen, placement.forward, inverse, shear,
            area.y0, area.x0, size_table(), MISSING_LIMIT, memory.zeros(out.shape),
            np.empty((len(bad), 4), np.int64), out,
        )  # fmt: skip
    return int(
        holes.void_outside(inverse, shape, area.y0, area.x0, phase_table(), MISSING_LIMIT, out)
    )
