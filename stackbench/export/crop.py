"""The largest rectangle in which every channel of a target is well covered."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.compiled import compiled
from stackbench.frames.records import Problem

_HOLE = 5  # pixels; bad pixels and columns narrower than this do not shape the crop
_LEAST_SHARE = 0.01  # of the grid; a smaller crop serves nobody


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonCrop:
    """The part of the grid that all channels of a target keep.

    `rows` and `columns` are slices of the grid. `problem` tells why the whole
    grid had to be kept, and is None otherwise.
    """

    rows: slice
    columns: slice
    problem: Problem | None = None


def common_crop(coverages: Sequence[NDArray[np.integer[Any]]], *, share: float = 0.5) -> CommonCrop:
    """Find the largest axis-aligned rectangle that is well covered in every channel.

    A pixel is well covered when it kept at least `share` of the largest kept
    count of its channel. Poorly covered pixels shape the crop only where they
    fill a square of 5 × 5 pixels (what lies outside the grid counts as poorly
    covered), so that single bad pixels and columns do not.

    Parameters
    ----------
    coverages : sequence of ndarray, shape (ny, nx), integer
        Kept counts of each channel, on one grid. Not modified.
    share : float
        The share of the largest kept count, above 0 to 1.

    Returns
    -------
    CommonCrop
        The rectangle; the whole grid, with the problem, when the channels
        have next to nothing in common.

    Raises
    ------
    ValueError
        If there is no channel, or the shapes differ.
    """
    if not coverages or len({coverage.shape for coverage in coverages}) != 1:
        raise ValueError(f"channels on one grid wanted: {[c.shape for c in coverages]}")
    ny, nx = coverages[0].shape
    poor = np.zeros((ny, nx), dtype=np.bool_)
    for coverage in coverages:
        least = max(1, int(np.ceil(share * int(coverage.max(initial=0)))))
        poor |= coverage < least
    skyline = np.zeros((3, nx + 1), dtype=np.int64)
    top, bottom, left, right = _largest_rectangle(_opened(poor, _HOLE), *skyline)
    if (bottom - top) * (right - left) >= max(1.0, _LEAST_SHARE * ny * nx):
        return CommonCrop(rows=slice(top, bottom), columns=slice(left, right))
    problem = Problem(
        what="The channels of this target keep the whole grid instead of a common crop.",
        why="their subs share next to no part of the sky",
        remedy="check that all subs show the same field, and reject those that do not",
    )
    return CommonCrop(rows=slice(0, ny), columns=slice(0, nx), problem=problem)


def _opened(poor: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """Keep only what squares of side × side poor pixels cover; outside the image all is poor."""
    squares = _all_poor(np.pad(poor, side - 1, constant_values=True), side)
    return ~_all_poor(~squares, side)


def _all_poor(poor: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """Mark the first pixels of all-poor squares; smaller than `poor` by side - 1 each way."""
    ny, nx = poor.shape[0] - side + 1, poor.shape[1] - side + 1
    columns = poor[:ny].copy()
    for y in range(1, side):
        columns &= poor[y : y + ny]
    squares = columns[:, :nx].copy()
    for x in range(1, side):
        squares &= columns[:, x : x + nx]
    return squares


@compiled
def _largest_rectangle(
    poor: NDArray[np.bool_],
    height: NDArray[np.int64],
    starts: NDArray[np.int64],
    heights: NDArray[np.int64],
) -> tuple[int, int, int, int]:
    """Return top, bottom, left, right (ends excluded) of the largest clear rectangle.

    The classic sweep: the clear height above each pixel of a row, and for
    every row the largest rectangle under that skyline, by a stack of rising
    heights. The three are one longer than a row; `height` is zeros, and its
    last stays 0 and closes every row.
    """
    ny, nx = poor.shape
    best = (0, 0, 0, 0)
    area = 0
    for y in range(ny):
        depth = 0
        for x in range(nx + 1):
            if x < nx:
                height[x] = 0 if poor[y, x] else height[x] + 1
            start = x
            while depth > 0 and heights[depth - 1] > height[x]:
                depth -= 1
                start = starts[depth]
                if heights[depth] * (x - start) > area:
                    area = heights[depth] * (x - start)
                    best = (y + 1 - heights[depth], y + 1, start, x)
            if depth == 0 or heights[depth - 1] < height[x]:
                starts[depth] = start
                heights[depth] = height[x]
                depth += 1
    return best
