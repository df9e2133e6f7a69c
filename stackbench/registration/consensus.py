"""The placement that the stars agree on, and whether they could agree by chance."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import betainc

from stackbench.registration import transforms
from stackbench.registration.asterisms import Asterisms

# Reference triangles looked up for each triangle of the sub.
_SHAPES_TRIED = 5
# Centroid error of both ends of a side together, 2.5σ for σ = 0.2 px each,
# and the change of shape by distortion that two pointings may see.
_SIDE_ERROR_PX = 0.7
_DISTORTION = 0.001
_SHAPE_LIMIT = 0.012
# Share of the reference frame that the raster may cover with hits.
_COVERAGE = 0.03
# Stars that score every placement; how many distinct ones stay, by hits and by
# votes (like triangles that agree); stars that score these once more.
_FIRST_STARS, _KEPT_BY_HITS, _KEPT_BY_VOTES, _SECOND_STARS = 25, 120, 40, 150


@dataclass(frozen=True, slots=True, kw_only=True)
class Placements:
    """Candidate similarities w = a z + b, or a z* + b where `mirrored`, as arrays."""

    a: NDArray[np.complex128]
    b: NDArray[np.complex128]
    mirrored: NDArray[np.bool_]

    def matrix(self, index: int) -> NDArray[np.float64]:
        """Write one placement as a matrix.

        Parameters
        ----------
        index : int
            Which placement.

        Returns
        -------
        ndarray, shape (3, 3), float64
            Transform from sub to reference.
        """
        a, b = complex(self.a[index]), complex(self.b[index])
        sign = -1.0 if self.mirrored[index] else 1.0
        return np.array(
            [[a.real, -sign * a.imag, b.real], [a.imag, sign * a.real, b.imag], [0.0, 0.0, 1.0]]
        )

    def apply(self, chosen: NDArray[np.intp], xy: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Map positions through several placements.

        Parameters
        ----------
        chosen : ndarray, shape (m,), int
            Which placements.
        xy : ndarray, shape (n, 2), float64
            Positions on the sub, pixels.

        Returns
        -------
        ndarray, shape (m, n), complex128
            Positions x + iy on the reference.
        """
        z = xy @ np.array([1, 1j])
        turned = np.where(self.mirrored[chosen][:, None], z.conj(), z)
        mapped: NDArray[np.complex128] = self.a[chosen][:, None] * turned
        mapped += self.b[chosen][:, None]
        return mapped


@dataclass(frozen=True, slots=True, kw_only=True)
class StarRaster:
    """Where on the reference a star counts as hit: a coarse map of small discs.

    `cells` is padded with a border that is never hit; `origin` is the
    position of the first cell's corner, pixels of the reference; `radius_px`
    is the discs' radius.
    """

    cells: NDArray[np.bool_]
    origin: tuple[float, float]
    cell_px: float
    radius_px: float


def star_raster(xy: NDArray[np.float64], *, radius_px: float) -> StarRaster:
    """Draw a disc around each reference star.

    Parameters
    ----------
    xy : ndarray, shape (n, 2), float64
        Reference stars, pixels, finite; at least three.
    radius_px : float
        Wished radius; made smaller where the discs would cover over 3 % of
        the frame, so that a hit keeps its meaning in a crowded field.

    Returns
    -------
    StarRaster
        The map.
    """
    low, high = xy.min(axis=0), xy.max(axis=0)
    area = float(np.prod(np.maximum(high - low, 1.0)))
    radius = min(radius_px, float(np.sqrt(_COVERAGE * area / (np.pi * len(xy)))))
    cell = radius / 2.5
    nx, ny = (np.ceil((high - low + 2 * radius) / cell).astype(int) + 3).tolist()
    cells = np.zeros((ny, nx), dtype=np.bool_)
    origin = low - radius - cell
    reach = int(np.ceil(radius / cell))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    position = (xy - origin) / cell
    ix, iy = np.floor(position).astype(np.intp).T
    for step_x, step_y in zip(dx.ravel(), dy.ravel(), strict=True):
        centre = np.column_stack([ix + step_x, iy + step_y]) + 0.5
        near = np.square(centre - position).sum(axis=1) <= (radius / cell) ** 2
        cells[iy[near] + step_y, ix[near] + step_x] = True
    cells[[0, -1], :] = False
    cells[:, [0, -1]] = False
    return StarRaster(
        cells=cells,
        origin=(float(origin[0]), float(origin[1])),
        cell_px=cell,
        radius_px=radius,
    )


def propose(
    xy: NDArray[np.float64],
    triangles: Asterisms,
    reference_xy: NDArray[np.float64],
    reference_triangles: Asterisms,
    shapes: cKDTree,
    *,
    scales: tuple[float, float],
) -> Placements:
    """Propose a placement for each pair of like triangles.

    Parameters
    ----------
    xy : ndarray, shape (n, 2), float64
        Stars of the sub, pixels.
    triangles : Asterisms
        Their triangles.
    reference_xy : ndarray, shape (m, 2), float64
        Stars of the reference, pixels.
    reference_triangles : Asterisms
        Their triangles.
    shapes : cKDTree
        Tree over the reference triangles' shapes.
    scales : tuple of float
        Least and greatest scale from sub to reference that is believed.

    Returns
    -------
    Placements
        The least-squares similarity of each pair of like triangles.
    """
    tried = min(_SHAPES_TRIED, len(reference_triangles.base_px))
    distance, found = shapes.query(
        triangles.shapes, k=np.arange(1, tried + 1), distance_upper_bound=_SHAPE_LIMIT
    )
    tolerance = _DISTORTION + _SIDE_ERROR_PX / triangles.base_px
    ours, column = np.nonzero(distance <= tolerance[:, None])
    theirs = np.asarray(found)[ours, column]
    ratio = reference_triangles.base_px[theirs] / triangles.base_px[ours]
    believed = (ratio >= scales[0]) & (ratio <= scales[1])
    ours, theirs = ours[believed], theirs[believed]
    to_complex = np.array([1, 1j])
    z = xy[triangles.stars[ours]] @ to_complex
    w = reference_xy[reference_triangles.stars[theirs]] @ to_complex
    mirrored = triangles.mirror[ours] != reference_triangles.mirror[theirs]
    z = np.where(mirrored[:, None], z.conj(), z)
    z_mean, w_mean = z.mean(axis=1), w.mean(axis=1)
    dz, dw = z - z_mean[:, None], w - w_mean[:, None]
    a = (dz.conj() * dw).sum(axis=1) / np.square(np.abs(dz)).sum(axis=1)
    return Placements(a=a, b=w_mean - a * z_mean, mirrored=mirrored)


def ranked(
    placements: Placements, xy: NDArray[np.float64], raster: StarRaster
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Order placements by how many of the sub's bright stars hit reference stars.

    Parameters
    ----------
    placements : Placements
        Candidates.
    xy : ndarray, shape (n, 2), float64
        The sub's stars, brightest first, pixels.
    raster : StarRaster
        Where a star hits.

    Returns
    -------
    order : ndarray, int
        Indices of the best candidates, one of each kind, best first.
    hits : ndarray, int
        How many stars hit in each of them.
    """
    everyone = np.arange(len(placements.a))
    hits = _hits(placements, everyone, xy[:_FIRST_STARS], raster)
    by_hits = np.argsort(-hits, kind="stable")
    # One of each kind: otherwise a pattern with many like triangles (such as
    # hot pixels in both lists) would crowd out all other placements.
    alike = _cells(placements, xy, 3 * raster.radius_px)
    _, first, votes = np.unique(alike[by_hits], return_index=True, return_counts=True)
    distinct = by_hits[first]
    best = np.argsort(first, kind="stable")[:_KEPT_BY_HITS]
    voted = np.argsort(-votes, kind="stable")[:_KEPT_BY_VOTES]
    kept = distinct[np.union1d(best, voted)]
    hits = _hits(placements, kept, xy[:_SECOND_STARS], raster)
    order = np.argsort(-hits, kind="stable")
    return kept[order], hits[order]


def hits_of(
    placements: Placements, xy: NDArray[np.float64], raster: StarRaster
) -> NDArray[np.intp]:
    """Count for each placement the stars that hit reference stars.

    Parameters
    ----------
    placements : Placements
        Candidates.
    xy : ndarray, shape (n, 2), float64
        Stars of the sub, pixels.
    raster : StarRaster
        Where a star hits.

    Returns
    -------
    ndarray, int
        Hits of each placement.
    """
    return _hits(placements, np.arange(len(placements.a)), xy, raster)


def hits_elsewhere(
    placements: Placements,
    chosen: NDArray[np.intp],
    matrix: NDArray[np.float64],
    xy: NDArray[np.float64],
    raster: StarRaster,
) -> NDArray[np.intp]:
    """Count the hits of stars that a known placement puts elsewhere.

    Parameters
    ----------
    placements : Placements
        Candidates.
    chosen : ndarray, shape (m,), int
        Which of them.
    matrix : ndarray, shape (3, 3), float64
        The known placement.
    xy : ndarray, shape (n, 2), float64
        Stars of the sub, pixels.
    raster : StarRaster
        Where a star hits.

    Returns
    -------
    ndarray, shape (m,), int
        Hits; few for a poor version of the known placement, however many
        stars it hits, and many for a true rival.
    """
    known = transforms.apply(matrix, xy) @ np.array([1, 1j])
    # Two places that hit the same disc lie within its diameter.
    other = np.abs(placements.apply(chosen, xy) - known) > 2 * raster.radius_px
    hits: NDArray[np.intp] = np.count_nonzero(_hit(placements, chosen, xy, raster) & other, axis=1)
    return hits


def expected_false(*, matched: int, tried: int, listed: int, hit_chance: float, free: int) -> float:
    """Tell how many placements as good as this one chance alone would give.

    Parameters
    ----------
    matched : int
        Stars of the sub that found a star of the reference.
    tried : int
        Stars of the sub that had the chance to.
    listed : int
        Stars of the reference.
    hit_chance : float
        Probability that a star placed at random finds one.
    free : int
        Pairs of stars that fix a placement and so match by construction: two
        for a similarity, three for an affine transform.

    Returns
    -------
    float
        Number of all placements that `free` pairs can fix, times the
        probability that of the other stars as many match by chance.

    Notes
    -----
    Every placement that matches m stars is, to within the tolerance, one of
    those fixed by `free` of its pairs, of which there are no more than
    2 (tried × listed)^free / free! (2 for the mirror image). Summing over all
    of them (union bound) makes the result independent of how the placement
    was found, and of how many were looked at.
    """
    hits, trials = matched - free, tried - free
    if hits <= 0:
        return float("inf")
    placements = 2 * float(tried * listed) ** free / math.factorial(free)
    # P(X ≥ k) of a binomial is the regularised incomplete beta function.
    return float(placements * betainc(hits, trials - hits + 1, hit_chance))


def _cells(placements: Placements, xy: NDArray[np.float64], cell_px: float) -> NDArray[np.int64]:
    """Number the placements so that (nearly) equal ones mostly get equal numbers."""
    low, high = xy.min(axis=0), xy.max(axis=0)
    corners = np.array([low, high, [low[0], high[1]]])
    placed = placements.apply(np.arange(len(placements.a)), corners)
    number = np.zeros(len(placed), dtype=np.int64)
    for column in (*placed.real.T, *placed.imag.T):
        # Wrapping round is meant: this is a hash.
        number = number * 1_000_003 + np.rint(column / cell_px).astype(np.int64)
    return number


def _hits(
    placements: Placements,
    chosen: NDArray[np.intp],
    xy: NDArray[np.float64],
    raster: StarRaster,
) -> NDArray[np.intp]:
    """Count for each chosen placement the stars that fall into a disc."""
    hits: NDArray[np.intp] = np.count_nonzero(_hit(placements, chosen, xy, raster), axis=1)
    return hits


def _hit(
    placements: Placements,
    chosen: NDArray[np.intp],
    xy: NDArray[np.float64],
    raster: StarRaster,
) -> NDArray[np.bool_]:
    """Tell for each chosen placement which stars fall into a disc."""
    w = (placements.apply(chosen, xy) - complex(*raster.origin)) / raster.cell_px
    ny, nx = raster.cells.shape
    # Outside lands on the border, which is never hit.
    ix = np.clip(w.real, 0, nx - 1).astype(np.intp)
    iy = np.clip(w.imag, 0, ny - 1).astype(np.intp)
    hit: NDArray[np.bool_] = raster.cells[iy, ix]
    return hit
