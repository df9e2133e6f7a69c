"""Where a sub lies on the sky grid: 3×3 matrices that act on (x, y, 1)."""

import math

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]


def similarity(
    shape: tuple[int, int],
    *,
    angle_deg: float = 0.0,
    offset_px: tuple[float, float] = (0.0, 0.0),
    scale: float = 1.0,
    mirrored: bool = False,
) -> Matrix:
    """Give the transform of a camera turned about the middle of its frame, then moved.

    Parameters
    ----------
    shape : tuple of int
        Frame's (ny, nx); sub and grid have the same.
    angle_deg : float
        Turn from sub to grid, counter-clockwise from +x towards +y.
    offset_px : tuple of float
        Where the frame's middle goes, relative to the grid's middle, (x, y) px.
    scale : float
        Grid pixels per sub pixel.
    mirrored : bool
        Whether the sub is a mirror image (x is turned over before the rotation).

    Returns
    -------
    ndarray, shape (3, 3), float64
        Transform from sub to grid, 0-based pixel coordinates.
    """
    ny, nx = shape
    centre = np.array([(nx - 1) / 2, (ny - 1) / 2])
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    linear = scale * np.array([[cosine, -sine], [sine, cosine]])
    if mirrored:
        linear = linear @ np.diag([-1.0, 1.0])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = centre + np.asarray(offset_px) - linear @ centre
    return matrix


def inverse(matrix: Matrix) -> Matrix:
    """Give the transform from grid to sub."""
    return np.linalg.inv(matrix).astype(np.float64)


def mapped(
    matrix: Matrix, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the positions (x, y) mapped by a 3×3 matrix whose last row is (0, 0, 1)."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    return (
        matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2],
        matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2],
    )


def mapped_angle(matrix: Matrix, angle_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the directions `angle_deg` (of lines, modulo 180°) mapped by a matrix."""
    angle = np.radians(np.asarray(angle_deg, dtype=np.float64))
    along_x = matrix[0, 0] * np.cos(angle) + matrix[0, 1] * np.sin(angle)
    along_y = matrix[1, 0] * np.cos(angle) + matrix[1, 1] * np.sin(angle)
    mapped_deg: NDArray[np.float64] = np.degrees(np.arctan2(along_y, along_x)) % 180.0
    return mapped_deg
