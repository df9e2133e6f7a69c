"""The one pixel grid that all channels of a target share."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.registration import transforms


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """The reference sub's frame: its pixel (x, y) is the grid's pixel (x, y).

    `shape` is (ny, nx).
    """

    shape: tuple[int, int]

    def __post_init__(self) -> None:
        if min(self.shape) < 1:
            raise ValueError(f"a grid needs pixels, got shape {self.shape}")


def footprint(matrix: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Find where the corners of a sub lie on the grid.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Transform from sub to grid.
    shape : tuple of int
        The sub's (ny, nx).

    Returns
    -------
    ndarray, shape (4, 2), float64
        Outer corners of the corner pixels, (x, y) on the grid, in the order
        of walking round the sub.
    """
    ny, nx = shape
    left, right, low, high = -0.5, nx - 0.5, -0.5, ny - 0.5
    return transforms.apply(matrix, [[left, low], [right, low], [right, high], [left, high]])


def overlap(matrix: NDArray[np.float64], shape: tuple[int, int], *, grid: Grid) -> float:
    """Tell how much of the grid a sub covers.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Transform from sub to grid.
    shape : tuple of int
        The sub's (ny, nx).
    grid : Grid
        The grid.

    Returns
    -------
    float
        Covered fraction of the grid's area, 0 to 1.
    """
    ny, nx = grid.shape
    polygon = footprint(matrix, shape)
    for axis, edge, inner in ((0, -0.5, 1), (0, nx - 0.5, -1), (1, -0.5, 1), (1, ny - 0.5, -1)):
        polygon = _cut(polygon, axis=axis, edge=edge, inner=inner)
    x, y = polygon.T
    area = 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))
    return min(1.0, area / (nx * ny))


def _cut(
    polygon: NDArray[np.float64], *, axis: int, edge: float, inner: int
) -> NDArray[np.float64]:
    """Keep the part of a convex polygon on the inner side of an axis-parallel edge."""
    kept: list[NDArray[np.float64]] = []
    for here, after in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        depth, next_depth = inner * (here[axis] - edge), inner * (after[axis] - edge)
        if depth >= 0:
            kept.append(here)
        if depth * next_depth < 0:
            kept.append(here + (after - here) * (depth / (depth - next_depth)))
    return np.array(kept).reshape(-1, 2)
