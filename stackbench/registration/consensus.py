"""The placements on which most stars agree."""

import numpy as np
from numpy.typing import NDArray

from stackbench.registration import transforms
from stackbench.registration.placements import Placements
from stackbench.registration.raster import StarRaster

# Stars that score every placement; how many distinct ones stay, by hits and by
# votes (like triangles that agree); stars that score these once more.
_FIRST_STARS, _KEPT_BY_HITS, _KEPT_BY_VOTES, _SECOND_STARS = 25, 120, 40, 150


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
