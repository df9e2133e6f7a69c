"""Find how a sub lies on the reference, from their stars alone."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from stackbench.registration import consensus, refinement
from stackbench.registration.asterisms import Asterisms, all_triples, asterisms, near_triples
from stackbench.registration.candidates import (
    FALSE_LIMIT,
    Candidate,
    Search,
    merged,
    plain_candidate,
    settled_candidates,
)
from stackbench.registration.refinement import Fit, Model

# Wide triangles: all those of the reference's 45 brightest stars, against all
# those of 24 stars of the sub, first the brightest, then fainter ones in case
# one frame lost its brightest stars to saturation.
_REFERENCE_BRIGHT = 45
_WINDOW, _WINDOW_STEP, _WINDOWS = 24, 12, 3
# The ordinary sub shows itself on far fewer stars. Its brightest may all be
# none (hot pixels, satellites), so others are looked at before the wide search.
_FEW, _FEW_WINDOWS = 12, 4
# A reference whose own pattern repeats for this share of its stars is always
# searched widely, for rivals; so are those too poor in stars to tell.
_REPEATING_SHARE = 0.15
# Near triangles serve when the brightness orders have little in common.
_NEAR_STARS, _NEAR_NEIGHBOURS, _REFERENCE_NEIGHBOURS = 200, 6, 8
# Fainter stars than these add nothing to the fit but time.
_MOST_STARS = 1000
_RASTER_STARS = 300
# A placement that matches this share of the stars that could match is clear.
_CLEAR_SHARE = 0.4


class NoMatch(ValueError):  # noqa: N818 (an outcome in the trade's words)
    """The sub could not be placed on the reference; the message says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StarMatch:
    """How a sub lies on the reference.

    `matrix` (3×3, float64) maps the sub's pixels (x, y, 1) to the reference's.
    `pairs` (k, 2) holds the indices (sub, reference) of the stars that the
    fit rests on, in the lists as given. `rms_px` is the root mean square
    distance of these pairs, `error_px` the expected distance (rms) between
    the fitted and the true place at the worst corner of the sub's stars; both
    in pixels of the reference. `false_chance` bounds the number of placements
    as good as this one that chance would give.
    """

    matrix: NDArray[np.float64]
    pairs: NDArray[np.intp]
    rms_px: float
    matched: int
    error_px: float
    false_chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceStars:
    """The reference's stars with everything that can be prepared once.

    `indices` leads from the prepared order (brightest first) back to the list
    as given. `repeats` tells that another placement of the stars on themselves
    matches many of them.
    """

    xy: NDArray[np.float64]
    indices: NDArray[np.intp]
    sigma_px: NDArray[np.float64] | None
    repeats: bool
    tree: cKDTree
    raster: consensus.StarRaster
    wide: Asterisms
    wide_shapes: cKDTree
    near: Asterisms
    near_shapes: cKDTree


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
    stars, indices, sigma = _ordered(xy, flux, sigma_px, whose="the reference")
    wide = asterisms(stars, all_triples(0, min(len(stars), _REFERENCE_BRIGHT)))
    near = asterisms(stars, near_triples(stars[:_NEAR_STARS], _REFERENCE_NEIGHBOURS))
    if not len(wide.base_px):
        raise NoMatch("the reference's stars lie too close together to make a pattern")
    reach = float(np.hypot(*np.ptp(stars, axis=0)))
    # Optics distort by about a thousandth of the frame from pointing to pointing.
    radius = max(2.5 * tolerance_px, 0.0015 * reach)
    raster = consensus.star_raster(stars[:_RASTER_STARS], radius_px=radius)
    wide_shapes = cKDTree(wide.shapes)
    return ReferenceStars(
        xy=stars,
        indices=indices,
        sigma_px=sigma,
        repeats=_repeats(stars, raster, wide, wide_shapes),
        tree=cKDTree(stars),
        raster=raster,
        wide=wide,
        wide_shapes=wide_shapes,
        near=near,
        near_shapes=cKDTree(near.shapes),
    )


def match_stars(
    xy: ArrayLike,
    flux: ArrayLike,
    reference_xy: ArrayLike,
    reference_flux: ArrayLike,
    *,
    model: Model = "similarity",
    tolerance_px: float = 2.0,
    scales: tuple[float, float] = (0.45, 2.2),
    sigma_px: ArrayLike | None = None,
    reference_sigma_px: ArrayLike | None = None,
) -> StarMatch:
    """Find how one sub lies on a reference.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Star positions in the sub, pixels; stars with NaN are left out.
    flux : array_like, shape (n,)
        Any measure of brightness that orders the stars; NaN counts as faintest.
    reference_xy, reference_flux : array_like
        The same of the reference.
    model : {"similarity", "affine"}, optional
        What is fitted; see `match_to_reference`.
    tolerance_px : float, optional
        Greatest distance of a matched pair, pixels.
    scales : tuple of float, optional
        Least and greatest scale from sub to reference that is believed.
    sigma_px, reference_sigma_px : array_like, shape (n,), optional
        Centroid errors per axis, pixels; used when both are given.

    Returns
    -------
    StarMatch
        The placement.

    Raises
    ------
    NoMatch
        If no placement is beyond doubt; the message says why.
    """
    reference = prepare_reference(
        reference_xy, reference_flux, sigma_px=reference_sigma_px, tolerance_px=tolerance_px
    )
    return match_to_reference(
        xy,
        flux,
        reference,
        model=model,
        tolerance_px=tolerance_px,
        scales=scales,
        sigma_px=sigma_px,
    )


def match_to_reference(
    xy: ArrayLike,
    flux: ArrayLike,
    reference: ReferenceStars,
    *,
    model: Model = "similarity",
    tolerance_px: float = 2.0,
    scales: tuple[float, float] = (0.45, 2.2),
    sigma_px: ArrayLike | None = None,
) -> StarMatch:
    """Find how a sub lies on a prepared reference.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Star positions in the sub, pixels; stars with NaN are left out.
    flux : array_like, shape (n,)
        Any measure of brightness that orders the stars; NaN counts as faintest.
    reference : ReferenceStars
        Prepared by `prepare_reference`.
    model : {"similarity", "affine"}, optional
        Shift, rotation, scale and mirror; or any linear map that departs from
        such a similarity by up to about 1 %.
    tolerance_px : float, optional
        Greatest distance of a matched pair, in pixels of the reference, or of
        the sub where these are larger.
    scales : tuple of float, optional
        Least and greatest scale from sub to reference that is believed.
    sigma_px : array_like, shape (n,), optional
        Centroid error per axis, pixels, above 0; pairs weigh by 1/σ² when the
        reference was given its errors too.

    Returns
    -------
    StarMatch
        The placement.

    Raises
    ------
    NoMatch
        If no placement is beyond doubt: too few stars, no placement that
        chance could not give as well (more than one in a million), two
        placements that fit about equally well, or stars too close together
        to say where the frame's corners lie.

    Notes
    -----
    Like triangles of sub and reference propose placements; the one on which
    most stars agree is refitted over all stars that match, and accepted if
    `consensus.expected_false` is at most 1e-6. Triangles of a few bright stars
    come first: a placement that passes and pairs two fifths of the reference's
    stars is taken at once, unless another one proposed, or the reference's own
    pattern, could rival it. All other subs are searched widely.
    """
    if model not in ("similarity", "affine"):
        raise ValueError(f"model must be 'similarity' or 'affine', got {model!r}")
    if not (tolerance_px > 0 and 0 < scales[0] < scales[1]):
        raise ValueError(f"unusable tolerance or scales: {tolerance_px}, {scales}")
    stars, indices, sigma = _ordered(xy, flux, sigma_px, whose="the sub")
    search = Search(
        xy=stars,
        reference_xy=reference.xy,
        tree=reference.tree,
        raster=reference.raster,
        model=model,
        tolerance_px=tolerance_px,
        scales=scales,
    )
    best = _plain(stars, reference, search) or _searched(stars, reference, search)
    fit = refinement.clipped_fit(
        best.matrix,
        stars,
        reference.xy,
        best.pairs,
        model=model,
        sigma_px=sigma,
        reference_sigma_px=reference.sigma_px,
    )
    if fit is None or fit.error_px > search.tolerance(best.matrix) / 2:
        raise NoMatch(
            f"the {len(best.pairs)} stars that match lie too close together, or scatter too "
            "much, to say where the corners of the sub belong"
        )
    return _star_match(fit, indices, reference.indices, false=best.false)


def _plain(
    stars: NDArray[np.float64], reference: ReferenceStars, search: Search
) -> Candidate | None:
    """Find the placement of an ordinary sub, on which most stars of both lists agree."""
    if reference.repeats:
        return None
    for first in range(0, min(_FEW * _FEW_WINDOWS, len(stars) - _FEW + 1), _FEW):
        few = asterisms(stars, all_triples(first, first + _FEW))
        if not len(few.base_px):
            continue
        placements = consensus.propose(
            stars, few, reference.xy, reference.wide, reference.wide_shapes, scales=search.scales
        )
        found = plain_candidate(placements, search, first=first)
        if found is not None:
            return found
    return None


def _repeats(
    stars: NDArray[np.float64],
    raster: consensus.StarRaster,
    wide: Asterisms,
    shapes: cKDTree,
) -> bool:
    """Tell whether the stars match themselves when moved, turned or mirrored."""
    few = asterisms(stars, all_triples(0, min(len(stars), _WINDOW)))
    if not len(few.base_px):
        return True
    placements = consensus.propose(stars, few, stars, wide, shapes, scales=(0.3, 3.0))
    order, _ = consensus.ranked(placements, stars, raster)
    scoring = stars[:_NEAR_STARS]
    hits = consensus.hits_elsewhere(placements, order, np.eye(3), scoring, raster)
    return bool(hits.max() >= _REPEATING_SHARE * len(scoring))


def _searched(stars: NDArray[np.float64], reference: ReferenceStars, search: Search) -> Candidate:
    """Find the placement of any sub, and make sure that it has no rival."""
    found: list[Candidate] = []
    for triangles, theirs, shapes in _stages(stars, reference):
        placements = consensus.propose(
            stars, triangles, reference.xy, theirs, shapes, scales=search.scales
        )
        found = merged(found, settled_candidates(placements, search), search)
        # A placement that leaves most stars alone may be true (clouds, another
        # filter) or a pattern that is not of the sky (hot pixels): look on.
        if any(one.false <= FALSE_LIMIT and one.share >= _CLEAR_SHARE for one in found):
            break
    return _decided(found, search)


def _ordered(
    xy: ArrayLike, flux: ArrayLike, sigma_px: ArrayLike | None, *, whose: str
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.float64] | None]:
    """Return usable stars, brightest first, their indices in the list, their errors."""
    positions = np.asarray(xy, dtype=np.float64)
    brightness = np.asarray(flux, dtype=np.float64)
    if positions.size == 0:
        positions = positions.reshape(0, 2)
    if positions.ndim != 2 or positions.shape[1] != 2 or brightness.shape != positions.shape[:1]:
        raise ValueError(
            f"stars must be (n, 2) positions and n fluxes, got {positions.shape}, "
            f"{brightness.shape}"
        )
    usable = np.isfinite(positions).all(axis=1)
    errors = None
    if sigma_px is not None:
        errors = np.asarray(sigma_px, dtype=np.float64)
        if errors.shape != brightness.shape:
            raise ValueError(f"one centroid error per star, got {errors.shape}")
        usable &= np.isfinite(errors) & (errors > 0)
    listed = np.flatnonzero(usable)
    faintest_last = np.where(np.isnan(brightness), -np.inf, brightness)[listed]
    indices = listed[np.argsort(-faintest_last, kind="stable")][:_MOST_STARS]
    if len(indices) < 4:
        raise NoMatch(f"{whose} has {len(indices)} usable stars, too few to make a pattern")
    return positions[indices], indices, None if errors is None else errors[indices]


def _stages(
    stars: NDArray[np.float64], reference: ReferenceStars
) -> Iterator[tuple[Asterisms, Asterisms, cKDTree]]:
    """Yield triangles to look up and where, the likeliest to succeed first."""
    for window in range(_WINDOWS):
        first = window * _WINDOW_STEP
        last = min(first + _WINDOW, len(stars))
        if window == 0 or last - first > _WINDOW_STEP:
            found = asterisms(stars, all_triples(first, last))
            if len(found.base_px):
                yield found, reference.wide, reference.wide_shapes
    found = asterisms(stars, near_triples(stars[:_NEAR_STARS], _NEAR_NEIGHBOURS))
    if len(found.base_px) and len(reference.near.base_px):
        yield found, reference.near, reference.near_shapes


def _decided(found: list[Candidate], search: Search) -> Candidate:
    """Return the best candidate, if it is beyond doubt."""
    credible = [one for one in found if one.false <= FALSE_LIMIT]
    if not credible:
        raise NoMatch(_why_not(found, search))
    best = max(credible, key=lambda one: len(one.pairs))
    rivals = [len(one.pairs) for one in credible if one is not best]
    if rivals and 2 * max(rivals) > len(best.pairs):
        raise NoMatch(
            f"two placements fit about equally well ({len(best.pairs)} and {max(rivals)} "
            "stars): the pattern repeats itself"
        )
    return best


def _star_match(
    fit: Fit, indices: NDArray[np.intp], reference_indices: NDArray[np.intp], *, false: float
) -> StarMatch:
    pairs = np.column_stack([indices[fit.pairs[:, 0]], reference_indices[fit.pairs[:, 1]]])
    return StarMatch(
        matrix=fit.matrix,
        pairs=pairs[np.argsort(pairs[:, 0])],
        rms_px=fit.rms_px,
        matched=len(pairs),
        error_px=fit.error_px,
        false_chance=false,
    )


def _why_not(found: list[Candidate], search: Search) -> str:
    """Say how far the search came."""
    searched = (
        f"{len(search.xy)} stars of the sub against {len(search.reference_xy)} of the reference"
    )
    if not found:
        return f"no star pattern in common ({searched})"
    closest = min(found, key=lambda one: one.false)
    return (
        f"no convincing star pattern in common ({searched}): the best placement matches "
        f"{len(closest.pairs)} of {closest.tried} stars, which chance can do as well"
    )
