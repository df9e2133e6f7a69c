"""Plane transforms as 3×3 matrices: least squares, applying, inverting, taking apart."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Decomposition:
    """What a transform does: mirror first, then stretch, then turn, then shift.

    `scale` is the square root of the area ratio; `rotation_deg` lies in
    (−180, 180], positive from +x towards +y; `mirrored` says that y was
    reversed before turning; `stretch` is the ratio of the longer to the
    shorter axis of a circle's image (1 for a similarity).
    """

    scale: float
    rotation_deg: float
    mirrored: bool
    stretch: float
    shift: tuple[float, float]


def apply(matrix: NDArray[np.float64], xy: ArrayLike) -> NDArray[np.float64]:
    """Map positions through a transform.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Acts on (x, y, 1); last row (0, 0, 1).
    xy : array_like, shape (n, 2)
        Positions, pixels. NaN stays NaN.

    Returns
    -------
    ndarray, shape (n, 2), float64
        Mapped positions, pixels of the target.
    """
    points = np.asarray(xy, dtype=np.float64)
    mapped: NDArray[np.float64] = points @ matrix[:2, :2].T + matrix[:2, 2]
    return mapped


def invert(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn a transform round.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Transform with last row (0, 0, 1).

    Returns
    -------
    ndarray, shape (3, 3), float64
        The inverse, its last row exactly (0, 0, 1).

    Raises
    ------
    ValueError
        If the transform flattens the plane and has no inverse.
    """
    linear = matrix[:2, :2]
    determinant = linear[0, 0] * linear[1, 1] - linear[0, 1] * linear[1, 0]
    if not np.isfinite(determinant) or abs(determinant) <= 1e-12 * np.square(linear).sum():
        raise ValueError("the transform flattens the plane: it has no inverse")
    inverse = np.array([[linear[1, 1], -linear[0, 1]], [-linear[1, 0], linear[0, 0]]]) / determinant
    return _matrix(inverse, -inverse @ matrix[:2, 2])


def similarity(
    xy: ArrayLike,
    target_xy: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    mirrored: bool | None = None,
) -> NDArray[np.float64]:
    """Fit shift, rotation, one scale and, if need be, a mirror by least squares.

    Parameters
    ----------
    xy, target_xy : array_like, shape (n, 2)
        Pairs of positions, pixels, finite.
    weights : array_like, shape (n,), optional
        Weight of each pair, 1/σ²; equal if left out.
    mirrored : bool, optional
        Whether the transform mirrors; None tries both and keeps the better.

    Returns
    -------
    ndarray, shape (3, 3), float64
        Transform from `xy` to `target_xy`.

    Raises
    ------
    ValueError
        If there are fewer than two pairs (three if `mirrored` is None), or
        all points coincide.

    Notes
    -----
    With positions as complex numbers z and w about their weighted means, the
    least-squares similarity is w = a z with a = Σ z* w / Σ |z|²; a mirror
    replaces z by its conjugate.
    """
    points, targets, weight = _pairs(
        xy, target_xy, weights=weights, needed=2 if mirrored is not None else 3
    )
    centre, target_centre = weight @ points, weight @ targets
    z = (points - centre) @ np.array([1, 1j])
    w = (targets - target_centre) @ np.array([1, 1j])
    spread = float(weight @ np.abs(z) ** 2)
    if spread <= 0:
        raise ValueError("the points coincide: no scale or rotation can be fitted")
    plain = complex(weight @ (z.conj() * w)) / spread
    flipped = complex(weight @ (z * w)) / spread
    # |a|² is the share of the target's spread that each fit explains.
    mirror = abs(flipped) > abs(plain) if mirrored is None else mirrored
    a = flipped if mirror else plain
    sign = -1.0 if mirror else 1.0
    linear = np.array([[a.real, -sign * a.imag], [a.imag, sign * a.real]])
    return _matrix(linear, target_centre - linear @ centre)


def affine(
    xy: ArrayLike, target_xy: ArrayLike, *, weights: ArrayLike | None = None
) -> NDArray[np.float64]:
    """Fit any linear map with a shift by least squares.

    Parameters
    ----------
    xy, target_xy : array_like, shape (n, 2)
        Pairs of positions, pixels, finite.
    weights : array_like, shape (n,), optional
        Weight of each pair, 1/σ²; equal if left out.

    Returns
    -------
    ndarray, shape (3, 3), float64
        Transform from `xy` to `target_xy`.

    Raises
    ------
    ValueError
        If there are fewer than three pairs, or the points lie on one line.
    """
    points, targets, weight = _pairs(xy, target_xy, weights=weights, needed=3)
    centre, target_centre = weight @ points, weight @ targets
    # Centred first: the normal matrix of raw pixel positions would lose half the digits.
    offsets, images = points - centre, targets - target_centre
    normal = (offsets * weight[:, None]).T @ offsets
    spread = np.linalg.eigvalsh(normal)
    if spread[0] <= 1e-10 * spread[1]:
        raise ValueError("the points lie on one line: no affine transform can be fitted")
    solved: NDArray[np.float64] = np.linalg.solve(
        normal, (offsets * weight[:, None]).T @ images
    ).astype(np.float64)
    linear = solved.T
    return _matrix(linear, target_centre - linear @ centre)


def decompose(matrix: NDArray[np.float64]) -> Decomposition:
    """Take a transform apart into mirror, stretch, rotation, scale and shift.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Transform with last row (0, 0, 1).

    Returns
    -------
    Decomposition
        The parts; for an affine transform the rotation is that of the
        similarity nearest to it.
    """
    linear = matrix[:2, :2]
    mirrored = bool(np.linalg.det(linear) < 0)
    turned = linear * np.array([1.0, -1.0]) if mirrored else linear
    rotation = np.arctan2(turned[1, 0] - turned[0, 1], turned[0, 0] + turned[1, 1])
    long, short = np.linalg.svd(linear, compute_uv=False)
    return Decomposition(
        scale=float(np.sqrt(long * short)),
        rotation_deg=float(np.degrees(rotation)),
        mirrored=mirrored,
        stretch=float(long / short) if short > 0 else float("inf"),
        shift=(float(matrix[0, 2]), float(matrix[1, 2])),
    )


def _pairs(
    xy: ArrayLike, target_xy: ArrayLike, *, weights: ArrayLike | None, needed: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return both sides as float64 arrays and the weights, which sum to 1."""
    points = np.asarray(xy, dtype=np.float64)
    targets = np.asarray(target_xy, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or points.shape != targets.shape:
        raise ValueError(f"pairs must be two (n, 2) arrays, got {points.shape}, {targets.shape}")
    if len(points) < needed:
        raise ValueError(f"{len(points)} pairs are too few for the fit: it needs {needed}")
    if weights is None:
        return points, targets, np.full(len(points), 1 / len(points))
    weight = np.asarray(weights, dtype=np.float64)
    if weight.shape != (len(points),) or not (weight >= 0).all() or not weight.sum() > 0:
        raise ValueError("weights must be one number ≥ 0 per pair, not all 0")
    return points, targets, weight / weight.sum()


def _matrix(linear: NDArray[np.float64], shift: NDArray[np.float64]) -> NDArray[np.float64]:
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = shift
    return matrix
