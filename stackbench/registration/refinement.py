"""From a rough placement to the best fit over all stars that match."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackbench.registration import transforms

Model = Literal["similarity", "affine"]

# Residuals beyond this many σ (1 + 4/n) are left out of the fit; σ is the median
# distance over 1.1774 (median of a Rayleigh distribution), the centre is 0. Few
# pairs tell σ poorly and are fitted too well: hence the 4/n.
_CLIP = 3.5
_CLIP_SLACK = 4.0
_RAYLEIGH_MEDIAN = 1.1774100225154747
# Residuals this small are never outliers, however good the rest is.
_LEAST_CLIP_PX = 0.05
_CLIP_ROUNDS = 10
_SETTLE_ROUNDS = 5
# The brightest stars settle a placement roughly, if they give this many pairs.
_ROUGH_STARS, _ROUGH_PAIRS = 250, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A transform and the pairs it rests on.

    `pairs` holds (sub, reference) indices, shape (k, 2). `rms_px` is the root
    mean square distance of the pairs; `error_px` the expected distance (rms)
    between fitted and true place at the worst corner of the sub's stars. Both
    in pixels of the reference.
    """

    matrix: NDArray[np.float64]
    pairs: NDArray[np.intp]
    rms_px: float
    error_px: float


def nearest_pairs(
    placed: NDArray[np.float64], tree: cKDTree, *, radius_px: float
) -> NDArray[np.intp]:
    """Pair each placed star with its nearest reference star, one to one.

    Parameters
    ----------
    placed : ndarray, shape (n, 2), float64
        Stars of the sub, mapped onto the reference.
    tree : cKDTree
        Tree over the reference stars.
    radius_px : float
        Greatest distance of a pair.

    Returns
    -------
    ndarray, shape (k, 2), int
        (sub, reference) indices, by ascending sub index; of several stars
        that find the same one, only the nearest is kept.
    """
    distance, found = (
        np.asarray(answer) for answer in tree.query(placed, distance_upper_bound=radius_px)
    )
    # The nearest comes last and so keeps its star; what found none lands in the spare place.
    order = np.argsort(distance, kind="stable")[::-1]
    owner = np.full(tree.n + 1, -1, dtype=np.intp)
    owner[found[order]] = order
    theirs = np.flatnonzero(owner[: tree.n] >= 0)
    ours = owner[theirs]
    ascending = np.argsort(ours)
    return np.column_stack([ours[ascending], theirs[ascending]])


def settle(
    matrix: NDArray[np.float64],
    xy: NDArray[np.float64],
    reference_xy: NDArray[np.float64],
    tree: cKDTree,
    *,
    radii: tuple[float, ...],
    model: Model,
) -> tuple[NDArray[np.float64], NDArray[np.intp]] | None:
    """Refit a placement on ever closer pairs until the pairs stay the same.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Rough transform.
    xy, reference_xy : ndarray, shape (n, 2), float64
        Stars of the sub (brightest first) and of the reference, pixels. The
        last radius always pairs all of them.
    tree : cKDTree
        Tree over `reference_xy`.
    radii : tuple of float
        Pairing radii, falling; pixels of the reference.
    model : {"similarity", "affine"}
        What is fitted; the first radius is always fitted as a similarity.

    Returns
    -------
    tuple of ndarray, or None
        Transform and pairs; None if the pairs run out on the way.
    """
    pairs = np.empty((0, 2), dtype=np.intp)
    for step, radius in enumerate(radii):
        tried = xy if step == len(radii) - 1 else xy[:_ROUGH_STARS]
        for _ in range(_SETTLE_ROUNDS):
            found = nearest_pairs(transforms.apply(matrix, tried), tree, radius_px=radius)
            if len(found) < _ROUGH_PAIRS and len(tried) < len(xy):
                tried = xy
                found = nearest_pairs(transforms.apply(matrix, xy), tree, radius_px=radius)
            if np.array_equal(found, pairs):
                break
            pairs = found
            refitted = _refit(
                matrix, xy, reference_xy, pairs, model="similarity" if step == 0 else model
            )
            if refitted is None:
                return None
            matrix = refitted
    return matrix, pairs


def clipped_fit(
    matrix: NDArray[np.float64],
    xy: NDArray[np.float64],
    reference_xy: NDArray[np.float64],
    pairs: NDArray[np.intp],
    *,
    model: Model,
    sigma_px: NDArray[np.float64] | None,
    reference_sigma_px: NDArray[np.float64] | None,
) -> Fit | None:
    """Fit all pairs by weighted least squares without the outliers.

    Parameters
    ----------
    matrix : ndarray, shape (3, 3), float64
        Settled transform; tells scale and mirror.
    xy, reference_xy : ndarray, shape (n, 2), float64
        Stars of the sub and of the reference, pixels.
    pairs : ndarray, shape (k, 2), int
        (sub, reference) indices.
    model : {"similarity", "affine"}
        What is fitted.
    sigma_px, reference_sigma_px : ndarray, shape (n,), optional
        Centroid errors per axis, in pixels of their own frame. Pairs weigh
        by 1/σ² where both are known, else equally.

    Returns
    -------
    Fit or None
        The fit over the pairs kept; None if too few are left.

    Notes
    -----
    Clip: centre 0, scale = median of the distances of all pairs (each over
    its own σ where known) / 1.1774, limit 3.5 (1 + 4/n) scales but no less
    than 0.05 px, up to 10 rounds or until nothing changes; a pair may come
    back.
    """
    errors = np.ones(len(pairs))
    if sigma_px is not None and reference_sigma_px is not None:
        scale = transforms.decompose(matrix).scale
        errors = np.hypot(scale * sigma_px[pairs[:, 0]], reference_sigma_px[pairs[:, 1]])
    weights = 1 / np.square(errors)
    kept = np.ones(len(pairs), dtype=np.bool_)
    clip = _CLIP * (1 + _CLIP_SLACK / max(len(pairs), 1))
    for _ in range(_CLIP_ROUNDS):
        refitted = _refit(matrix, xy, reference_xy, pairs[kept], model=model, weights=weights[kept])
        if refitted is None:
            return None
        matrix = refitted
        miss = _distances(matrix, xy, reference_xy, pairs)
        scaled = miss / errors
        # Over all pairs, not those kept: else the limit would shrink round by round.
        limit = clip * float(np.median(scaled)) / _RAYLEIGH_MEDIAN
        now = (scaled <= limit) | (miss <= _LEAST_CLIP_PX)
        if np.array_equal(now, kept):
            break
        kept = now
    pairs, weights, miss = pairs[kept], weights[kept], miss[kept]
    error = _corner_error(xy, xy[pairs[:, 0]], miss, weights, model=model)
    rms = float(np.sqrt(np.square(miss).mean()))
    return Fit(matrix=matrix, pairs=pairs, rms_px=rms, error_px=error)


def _refit(
    matrix: NDArray[np.float64],
    xy: NDArray[np.float64],
    reference_xy: NDArray[np.float64],
    pairs: NDArray[np.intp],
    *,
    model: Model,
    weights: NDArray[np.float64] | None = None,
) -> NDArray[np.float64] | None:
    """Fit the pairs; None if they are too few or do not span the plane."""
    points, targets = xy[pairs[:, 0]], reference_xy[pairs[:, 1]]
    if len(points) < (3 if model == "similarity" else 4):
        return None
    # Stars (nearly) on one line fix neither the mirror nor an affine transform.
    if _flatness(points) < 0.01:
        return None
    if model == "affine":
        return transforms.affine(points, targets, weights=weights)
    mirrored = bool(np.linalg.det(matrix[:2, :2]) < 0)
    return transforms.similarity(points, targets, weights=weights, mirrored=mirrored)


def _flatness(points: NDArray[np.float64]) -> float:
    """Give the spread of points across their main direction over that along it."""
    x, y = (points - points.mean(axis=0)).T
    # The principal moments, in closed form: half their sum, half their difference.
    xx, yy, xy = float(x @ x), float(y @ y), float(x @ y)
    middle, half = (xx + yy) / 2, math.hypot((xx - yy) / 2, xy)
    return math.sqrt(max(middle - half, 0.0) / (middle + half)) if middle > 0 else 0.0


def _distances(
    matrix: NDArray[np.float64],
    xy: NDArray[np.float64],
    reference_xy: NDArray[np.float64],
    pairs: NDArray[np.intp],
) -> NDArray[np.float64]:
    offset = transforms.apply(matrix, xy[pairs[:, 0]]) - reference_xy[pairs[:, 1]]
    return np.hypot(offset[:, 0], offset[:, 1])


def _corner_error(
    xy: NDArray[np.float64],
    points: NDArray[np.float64],
    miss: NDArray[np.float64],
    weights: NDArray[np.float64],
    *,
    model: Model,
) -> float:
    """Carry the scatter of the pairs to the worst corner of the sub's stars."""
    free = 4 if model == "similarity" else 6
    degrees = 2 * len(points) - free
    if degrees <= 0:
        return float("inf")
    variance = float((weights * np.square(miss)).sum()) / degrees  # per axis, unit weight
    centre = weights @ points / weights.sum()
    offsets = points - centre
    low, high = xy.min(axis=0), xy.max(axis=0)
    corners = np.array([[x, y] for x in (low[0], high[0]) for y in (low[1], high[1])]) - centre
    if model == "similarity":
        normal = np.eye(2) * float(weights @ np.square(offsets).sum(axis=1))
    else:
        normal = (offsets * weights[:, None]).T @ offsets
    leverage = (corners @ np.linalg.inv(normal) * corners).sum(axis=1)
    return float(np.sqrt(2 * variance * (1 / weights.sum() + leverage.max())))
