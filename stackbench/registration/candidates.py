"""Placements that stand out, refitted over all stars and weighed against chance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from stackbench.registration import consensus, refinement, transforms
from stackbench.registration.chance import expected_false
from stackbench.registration.placements import Placements
from stackbench.registration.raster import StarRaster
from stackbench.registration.refinement import Model

# A placement is believed if chance would give one as good in at most this
# many subs: one in a million, however many subs a season brings.
FALSE_LIMIT = 1e-6
# Distinct placements that are refitted in one go.
_SETTLED = 6
# The ordinary sub: so large a share of the stars agrees, scored on so many stars.
_PLAIN_SHARE, _PLAIN_STARS = 0.4, 48
# No optics stretch one axis this much against the other.
_STRETCH_LIMIT = 1.1
# Chance is weighed at these parts of the tolerance: sharp matches count more.
_RADII = (1.0, 0.5, 0.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What is searched: stars of the sub (brightest first) and of the reference, and how."""

    xy: NDArray[np.float64]
    reference_xy: NDArray[np.float64]
    tree: cKDTree
    raster: StarRaster
    model: Model
    tolerance_px: float
    scales: tuple[float, float]

    def tolerance(self, matrix: NDArray[np.float64]) -> float:
        """Give the greatest distance of a pair under a transform.

        Parameters
        ----------
        matrix : ndarray, shape (3, 3), float64
            Transform from sub to reference.

        Returns
        -------
        float
            Pixels of the reference; larger where the sub's pixels are.
        """
        return self.tolerance_px * max(1.0, transforms.decompose(matrix).scale)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A refitted placement.

    `pairs` are (sub, reference) indices; `tried` counts the sub's stars that
    could have matched, `share` is the part of them that did (of the poorer
    list); `false` bounds the number of placements as good that chance would
    give; `landed` is where the corners of the sub's stars end up, x + iy.
    """

    matrix: NDArray[np.float64]
    pairs: NDArray[np.intp]
    tried: int
    share: float
    false: float
    landed: NDArray[np.complex128]


def settled_candidates(placements: Placements, search: Search) -> list[Candidate]:
    """Refit the best distinct placements.

    Parameters
    ----------
    placements : Placements
        Proposed placements.
    search : Search
        Stars and options.

    Returns
    -------
    list of Candidate
        Distinct candidates, in the order in which they were found.
    """
    order, hits = consensus.ranked(placements, search.xy, search.raster)
    starts = placements.apply(order, _corners(search.xy))
    apart = _apart(search)
    fresh = np.ones(len(order), dtype=np.bool_)
    found: list[Candidate] = []
    enough = 0  # hits below which nothing can rival what was found
    for _ in range(_SETTLED):
        if not fresh.any():
            break
        first = int(np.argmax(fresh))
        if hits[first] < enough:
            break
        fresh &= np.abs(starts - starts[first]).max(axis=1) >= apart
        settled = _settled(placements.matrix(int(order[first])), search)
        if settled is None:
            continue
        fresh &= np.abs(starts - settled.landed).max(axis=1) >= apart
        found = merged(found, [settled], search)
        if settled.false <= FALSE_LIMIT:
            enough = max(enough, int(hits[first]) // 2)
    return found


def plain_candidate(placements: Placements, search: Search, *, first: int) -> Candidate | None:
    """Refit the best placement, if it is so good that no other can rival it.

    Parameters
    ----------
    placements : Placements
        Proposed placements.
    search : Search
        Stars and options.
    first : int
        The star of the sub from which on stars score the placements.

    Returns
    -------
    Candidate or None
        A credible candidate that pairs a clear share of both lists, None if
        there is none, or another placement is worth a look.
    """
    scoring = search.xy[first : first + _PLAIN_STARS]
    if not len(placements.a):
        return None
    hits = consensus.hits_of(placements, scoring, search.raster)
    top = int(np.argmax(hits))
    if hits[top] < _PLAIN_SHARE * len(scoring):
        return None
    settled = _settled(placements.matrix(top), search)
    if settled is None or settled.false > FALSE_LIMIT:
        return None
    # A share of the whole reference: a pattern that repeats in a part of it only
    # could rival fewer pairs unseen.
    listed = len(search.reference_xy)
    if settled.share < _PLAIN_SHARE or len(settled.pairs) < _PLAIN_SHARE * listed:
        return None
    good = np.flatnonzero(2 * hits >= hits[top])
    rivals = consensus.hits_elsewhere(placements, good, settled.matrix, scoring, search.raster)
    return None if 2 * rivals.max() >= hits[top] else settled


def merged(known: list[Candidate], new: list[Candidate], search: Search) -> list[Candidate]:
    """Add candidates that are not known yet; of two alike the fuller one stays.

    Parameters
    ----------
    known, new : list of Candidate
        Candidates, those of each list distinct. Not modified.
    search : Search
        Stars and options.

    Returns
    -------
    list of Candidate
        Distinct candidates.
    """
    joined = list(known)
    for one in new:
        apart = [np.abs(old.landed - one.landed).max() >= _apart(search) for old in joined]
        alike = [old for old, other in zip(joined, apart, strict=True) if not other]
        if all(len(one.pairs) > len(old.pairs) for old in alike):
            joined = [old for old, other in zip(joined, apart, strict=True) if other] + [one]
    return joined


def _settled(start: NDArray[np.float64], search: Search) -> Candidate | None:
    """Refit one placement over all stars and weigh it against chance."""
    tolerance = search.tolerance(start)
    coarse = max(search.raster.radius_px, tolerance)
    settled = refinement.settle(
        start,
        search.xy,
        search.reference_xy,
        search.tree,
        radii=(coarse, float(np.sqrt(coarse * tolerance)), tolerance),
        model=search.model,
    )
    if settled is None:
        return None
    matrix, pairs = settled
    parts = transforms.decompose(matrix)
    if not search.scales[0] <= parts.scale <= search.scales[1] or parts.stretch > _STRETCH_LIMIT:
        return None
    placed = transforms.apply(matrix, search.xy)
    inside = _within(placed, search.reference_xy, margin=tolerance)
    tried = max(int(inside.sum()), len(pairs))
    back = transforms.apply(transforms.invert(matrix), search.reference_xy)
    seen = int(_within(back, search.xy, margin=tolerance).sum())
    return Candidate(
        matrix=matrix,
        pairs=pairs,
        tried=tried,
        share=len(pairs) / max(min(tried, seen), 1),
        false=_false_chance(placed, inside, pairs, search, tolerance=tolerance),
        landed=transforms.apply(matrix, _corners(search.xy)) @ np.array([1, 1j]),
    )


def _false_chance(
    placed: NDArray[np.float64],
    inside: NDArray[np.bool_],
    pairs: NDArray[np.intp],
    search: Search,
    *,
    tolerance: float,
) -> float:
    """Bound the number of placements as good as this one that chance would give."""
    tried = max(int(inside.sum()), len(pairs))
    # Stars cluster: what chance can do is measured around the placed stars,
    # in rings that leave the matching stars themselves out.
    reach = np.array([2.0, 6.0]) * tolerance
    disc, ring = np.asarray(search.tree.count_neighbors(cKDTree(placed[inside]), reach)).tolist()
    around = (ring - disc) / max(tried, 1) / (32 * np.pi * tolerance**2)
    span = np.maximum(np.ptp(search.reference_xy, axis=0), 1.0)
    density = max(around, len(search.reference_xy) / float(np.prod(span)))
    miss = np.linalg.norm(placed[pairs[:, 0]] - search.reference_xy[pairs[:, 1]], axis=1)
    chances = [
        expected_false(
            matched=int((miss <= part * tolerance).sum()),
            tried=tried,
            listed=len(search.reference_xy),
            hit_chance=float(-np.expm1(-density * np.pi * (part * tolerance) ** 2)),
            free=2 if search.model == "similarity" else 3,
        )
        for part in _RADII
    ]
    # The best of three looks counts three times.
    return len(_RADII) * min(chances)


def _apart(search: Search) -> float:
    """Distance of corners from which two placements are different ones."""
    return 3 * search.raster.radius_px


def _corners(xy: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = xy.min(axis=0), xy.max(axis=0)
    return np.array([[x, y] for x in (low[0], high[0]) for y in (low[1], high[1])])


def _within(
    xy: NDArray[np.float64], frame: NDArray[np.float64], *, margin: float
) -> NDArray[np.bool_]:
    """Tell which positions lie within the rectangle that the stars of a frame span."""
    low, high = frame.min(axis=0) - margin, frame.max(axis=0) + margin
    inside: NDArray[np.bool_] = ((xy >= low) & (xy <= high)).all(axis=1)
    return inside
