"""The reference's stars, with the patterns that subs are looked up in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from stackbench.registration import consensus
from stackbench.registration.asterisms import (
    ShapeIndex,
    all_triples,
    asterisms,
    band_triples,
    indexed,
    near_triples,
)
from stackbench.registration.placements import propose
from stackbench.registration.raster import StarRaster, star_raster
from stackbench.registration.starlists import NoMatch, StarList, brightest_first

# Triangles of stars of like brightness: a sub that lost its brightest to saturation
# begins where the reference has had its first fifty, so they go far down.
_BAND_STARS, _BAND_WIDTH = 150, 20
# All triangles of the brightest stars, and those of each star with its neighbours.
_WIDE_STARS = 45
_NEAR_STARS, _NEIGHBOURS = 200, 8
_RASTER_STARS = 300
# A reference whose own pattern repeats for this share of its stars is always
# searched widely, for rivals; so are those too poor in stars to tell.
_REPEATING_SHARE, _REPEATING_STARS, _REPEATING_SCORED = 0.15, 24, 200


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceStars:
    """The reference's stars with everything that can be prepared once.

    `band`, `wide` and `near` are triangles of stars of like brightness, of the
    brightest, and of neighbours. `repeats` tells that another placement of the
    stars on themselves matches many of them.
    """

    stars: StarList
    repeats: bool
    tree: cKDTree
    raster: StarRaster
    band: ShapeIndex
    wide: ShapeIndex
    near: ShapeIndex


def prepare_reference(
    xy: ArrayLike, flux: ArrayLike, *, sigma_px: ArrayLike | None = None, tolerance_px: float = 2.0
) -> ReferenceStars:
    """Prepare the reference's stars for any number of subs.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Star positions, pixels; stars with NaN are left out.
    flux : array_like, shape (n,)
        Any measure of brightness that orders the stars; NaN counts as faintest.
    sigma_px : array_like, shape (n,), optional
        Centroid error per axis, pixels, above 0.
    tolerance_px : float, optional
        As will be given to `match_to_reference`.

    Returns
    -------
    ReferenceStars
        Prepared stars; may be shared between threads.

    Raises
    ------
    NoMatch
        If there are too few stars to make a pattern.
    """
    stars = brightest_first(xy, flux, sigma_px=sigma_px, whose="the reference")
    places, count = stars.xy, len(stars.xy)
    wide = indexed(asterisms(places, all_triples(0, min(count, _WIDE_STARS))))
    if not len(wide.triangles.base_px):
        raise NoMatch("the reference's stars lie too close together to make a pattern")
    reach = float(np.hypot(*np.ptp(places, axis=0)))
    # Optics distort by about a thousandth of the frame from pointing to pointing.
    radius = max(2.5 * tolerance_px, 0.0015 * reach)
    raster = star_raster(places[:_RASTER_STARS], radius_px=radius)
    return ReferenceStars(
        stars=stars,
        repeats=_repeats(places, raster, wide),
        tree=cKDTree(places),
        raster=raster,
        band=indexed(asterisms(places, band_triples(min(count, _BAND_STARS), _BAND_WIDTH))),
        wide=wide,
        near=indexed(asterisms(places, near_triples(places[:_NEAR_STARS], _NEIGHBOURS))),
    )


def _repeats(stars: NDArray[np.float64], raster: StarRaster, wide: ShapeIndex) -> bool:
    """Tell whether the stars match themselves when moved, turned or mirrored."""
    few = asterisms(stars, all_triples(0, min(len(stars), _REPEATING_STARS)))
    if not len(few.base_px):
        return True
    placements = propose(stars, few, stars, wide, scales=(0.3, 3.0))
    order, _ = consensus.ranked(placements, stars, raster)
    scoring = stars[:_REPEATING_SCORED]
    hits = consensus.hits_elsewhere(placements, order, np.eye(3), scoring, raster)
    return bool(hits.max() >= _REPEATING_SHARE * len(scoring))
