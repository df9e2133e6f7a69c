"""Triangles of stars and the two numbers of each that no similarity changes."""

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

# The longest side must be this long, in pixels: with centroids good to 0.2 px
# a smaller triangle's shape is uncertain by over 2 % and fits anything.
_SHORTEST_BASE_PX = 30.0
# The shortest side, as a fraction of the longest: below it two stars are so
# close together that they tell no more than one, and are often one blend.
_LEAST_SHAPE = 0.08


@dataclass(frozen=True, slots=True, kw_only=True)
class Asterisms:
    """Triangles of stars, ready to be looked up by shape.

    `stars` holds the indices of each triangle's stars, shape (m, 3), ordered
    by the side opposite to them, longest first, so that equal shapes
    correspond star by star. `shapes` are (b/a, c/a) of the sides a ≥ b ≥ c,
    shape (m, 2). `base_px` is a. `mirror` is +1 where the three stars run
    from +x towards +y, else −1.
    """

    stars: NDArray[np.intp]
    shapes: NDArray[np.float64]
    base_px: NDArray[np.float64]
    mirror: NDArray[np.int8]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeIndex:
    """Triangles of the reference and a tree over their shapes."""

    triangles: Asterisms
    tree: cKDTree


def asterisms(xy: NDArray[np.float64], triples: NDArray[np.intp]) -> Asterisms:
    """Measure triangles of stars, leaving out those too small or too thin to tell.

    Parameters
    ----------
    xy : ndarray, shape (n, 2), float64
        Star positions, pixels, finite.
    triples : ndarray, shape (m, 3), int
        Indices of the stars of each triangle, in any order.

    Returns
    -------
    Asterisms
        The useful triangles, in the order of `triples`.

    References
    ----------
    Valdes et al. 1995, PASP 107, 1119 (the side ratios b/a and c/a).
    """
    corners = xy[triples] @ np.array([1, 1j])
    # Side k lies opposite to corner k.
    sides = np.abs(corners[:, [1, 2, 0]] - corners[:, [2, 0, 1]])
    order = np.argsort(-sides, axis=1, kind="stable")
    sides = np.take_along_axis(sides, order, axis=1)
    base = sides[:, 0]
    useful = np.flatnonzero((base >= _SHORTEST_BASE_PX) & (sides[:, 2] >= _LEAST_SHAPE * base))
    order, sides, base = order[useful], sides[useful], base[useful]
    corners = np.take_along_axis(corners[useful], order, axis=1)
    turn = ((corners[:, 1] - corners[:, 0]).conj() * (corners[:, 2] - corners[:, 0])).imag
    return Asterisms(
        stars=np.take_along_axis(triples[useful], order, axis=1),
        shapes=sides[:, 1:] / base[:, None],
        base_px=base,
        mirror=np.where(turn >= 0, 1, -1).astype(np.int8),
    )


def indexed(triangles: Asterisms) -> ShapeIndex:
    """Prepare triangles to be looked up by shape.

    Parameters
    ----------
    triangles : Asterisms
        Triangles of the reference.

    Returns
    -------
    ShapeIndex
        The same, with a tree over their shapes.
    """
    # Balanced, the tree takes twice as long to make and is no quicker to search.
    tree = cKDTree(triangles.shapes, balanced_tree=False, compact_nodes=False)
    return ShapeIndex(triangles=triangles, tree=tree)


@lru_cache(maxsize=32)
def all_triples(first: int, last: int) -> NDArray[np.intp]:
    """List every triangle of the stars `first` to `last` − 1.

    Parameters
    ----------
    first, last : int
        Range of star indices.

    Returns
    -------
    ndarray, shape (m, 3), int
        Indices; read-only, since the list is kept for the next call.
    """
    found = list(combinations(range(first, last), 3))
    triples = np.array(found, dtype=np.intp).reshape(-1, 3)
    triples.flags.writeable = False
    return triples


def band_triples(last: int, width: int) -> NDArray[np.intp]:
    """List every triangle of stars of like brightness.

    Parameters
    ----------
    last : int
        How many stars take part, brightest first.
    width : int
        The stars of a triangle lie within this many consecutive ones.

    Returns
    -------
    ndarray, shape (m, 3), int
        Indices, each triangle once.
    """
    pairs = np.array(list(combinations(range(1, width), 2)), dtype=np.intp).reshape(-1, 2)
    offsets = np.column_stack([np.zeros(len(pairs), dtype=np.intp), pairs])
    triples = (np.arange(last)[:, None, None] + offsets).reshape(-1, 3)
    return triples[triples[:, 2] < last]


def near_triples(xy: NDArray[np.float64], neighbours: int) -> NDArray[np.intp]:
    """List the triangles that each star forms with pairs of its nearest neighbours.

    Parameters
    ----------
    xy : ndarray, shape (n, 2), float64
        Star positions, pixels, finite.
    neighbours : int
        How many neighbours of each star take part.

    Returns
    -------
    ndarray, shape (m, 3), int
        Indices, each triangle once, in ascending order.
    """
    count = min(neighbours, len(xy) - 1)
    if count < 2:
        return np.empty((0, 3), dtype=np.intp)
    near = np.asarray(cKDTree(xy).query(xy, k=count + 1)[1])
    # Column 0 is the star itself.
    pairs = np.array(list(combinations(range(1, count + 1), 2)), dtype=np.intp)
    centres = np.repeat(np.arange(len(xy)), len(pairs))
    triples = np.column_stack([centres, near[:, pairs].reshape(-1, 2)])
    triples = triples[(np.diff(np.sort(triples, axis=1), axis=1) > 0).all(axis=1)]
    unique: NDArray[np.intp] = np.unique(np.sort(triples, axis=1), axis=0).astype(np.intp)
    return unique
