"""Where a sub lies on the grid, and the way by which its pixels get there."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.registration.lanczos import strip_table

_STEEPEST = 1.0 / 16.0  # phase per pixel up to which the two passes are used
_FLATTEST = 1.0 / 2048.0  # phase per pixel from which weights are tabulated
_BEFORE = 8  # rows and columns before a rectangle: taps, and what fills bad ones
_AFTER = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectangle:
    """Part of the grid or of a sub: rows y0 … y1 − 1, columns x0 … x1 − 1."""

    y0: int
    y1: int
    x0: int
    x1: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns.

        Returns
        -------
        tuple of int
            (ny, nx).
        """
        return self.y1 - self.y0, self.x1 - self.x0


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where a sub lies on the grid, and by which way it gets there.

    `shape` is the sub's (ny, nx); `to_sub`, shape (2, 3), leads from the grid
    to it. For resampling, it is seen transposed if `transposed`, then upside
    down and mirrored as `flips` (y, x) say; from the grid to the sub so seen
    leads `inverse`, shape (2, 3), and back leads `forward`. `strips_x` and
    `strips_y` are weight tables of the two passes, or None for both where the
    angle asks for the square kernel.
    """

    shape: tuple[int, int]
    to_sub: NDArray[np.float64]
    inverse: NDArray[np.float64]
    forward: NDArray[np.float64]
    transposed: bool
    flips: tuple[bool, bool]
    strips_x: NDArray[np.float32] | None
    strips_y: NDArray[np.float32] | None

    @property
    def in_two_passes(self) -> bool:
        """Whether the fast way is taken.

        Returns
        -------
        bool
            False for the square kernel.
        """
        return self.strips_x is not None

    @property
    def tilt(self) -> float:
        """By how many of the sub's rows a row of the grid leans.

        Returns
        -------
        float
            Rows per pixel of the grid: the sine of the angle, at scale 1.
        """
        return float(abs(self.to_sub[1, 0]))


def place(matrix: NDArray[np.float64], shape: tuple[int, int]) -> Placement:
    """Work out how a sub is best brought onto the grid.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        From the sub's (x, y, 1) to the grid's: similarity or affine, mirrored
        or not.
    shape : tuple of int
        The sub's (ny, nx).

    Returns
    -------
    Placement
        What `resample` needs; may be shared by threads.

    Raises
    ------
    ValueError
        If the matrix is not an invertible affine transform of finite numbers.
    """
    forward = np.array(matrix, dtype=np.float64)
    if forward.shape != (3, 3) or not np.isfinite(forward).all():
        raise ValueError(f"a transform is a 3×3 matrix of finite numbers, not {matrix!r}")
    if not np.array_equal(forward[2], [0.0, 0.0, 1.0]):
        raise ValueError(f"the last row of an affine transform is 0 0 1, not {forward[2]}")
    if abs(np.linalg.det(forward)) < 1e-6:
        raise ValueError("the transform maps the sub onto a line")
    inverse = np.asarray(np.linalg.inv(forward)[:2], dtype=np.float64)
    ny, nx = shape
    (a, b), (d, e) = np.abs(inverse[:, :2])
    transposed = bool(b + d > a + e)
    seen = inverse[::-1].copy() if transposed else inverse.copy()
    if transposed:
        ny, nx = nx, ny
    flips = bool(seen[1, 1] < 0), bool(seen[0, 0] < 0)
    for axis, flip, length in ((1, flips[0], ny), (0, flips[1], nx)):
        if flip:
            seen[axis] = -seen[axis]
            seen[axis, 2] += length - 1
    slope_x = seen[0, 0] - seen[0, 1] * seen[1, 0] / seen[1, 1] - 1.0
    slope_y = seen[1, 0]
    steepest = max(abs(slope_x), abs(slope_y), abs(seen[1, 1] - 1.0), abs(seen[0, 1]))
    if steepest > _STEEPEST:
        return Placement(
            shape=shape, to_sub=inverse, inverse=inverse,
            forward=_back(inverse), transposed=False,
            flips=(False, False), strips_x=None, strips_y=None,
        )  # fmt: skip
    return Placement(
        shape=shape, to_sub=inverse, inverse=seen,
        forward=_back(seen), transposed=transposed, flips=flips,
        strips_x=_strips(slope_x), strips_y=_strips(slope_y),
    )  # fmt: skip


def _back(inverse: NDArray[np.float64]) -> NDArray[np.float64]:
    square = np.vstack([inverse, [0.0, 0.0, 1.0]])
    return np.ascontiguousarray(np.linalg.inv(square)[:2], dtype=np.float64)


def _strips(slope: float) -> NDArray[np.float32]:
    if abs(slope) < _FLATTEST:
        return np.zeros((0, 7, 1), dtype=np.float32)
    return strip_table(slope)


def source_window(placement: Placement, area: Rectangle) -> Rectangle | None:
    """Tell which pixels of a sub a rectangle of the grid needs.

    Parameters
    ----------
    placement : Placement
        Where the sub lies.
    area : Rectangle
        Part of the grid.

    Returns
    -------
    Rectangle or None
        Part of the sub, or None if the rectangle lies outside it.
    """
    ny, nx = placement.shape
    (a, b, c), (d, e, f) = placement.to_sub.tolist()
    x0, x1, y0, y1 = area.x0 - 0.5, area.x1 - 0.5, area.y0 - 0.5, area.y1 - 0.5
    left = min(a * x0, a * x1) + min(b * y0, b * y1) + c
    right = max(a * x0, a * x1) + max(b * y0, b * y1) + c
    top = min(d * x0, d * x1) + min(e * y0, e * y1) + f
    bottom = max(d * x0, d * x1) + max(e * y0, e * y1) + f
    if right < -1 or bottom < -1 or left > nx or top > ny:
        return None
    # Clipped so that at least the edge, which repeats beyond it, is there.
    return Rectangle(
        y0=min(max(math.floor(top) - _BEFORE, 0), ny - 1),
        y1=min(max(math.ceil(bottom) + _AFTER, 1), ny),
        x0=min(max(math.floor(left) - _BEFORE, 0), nx - 1),
        x1=min(max(math.ceil(right) + _AFTER, 1), nx),
    )
