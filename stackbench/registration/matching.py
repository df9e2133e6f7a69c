"""Find how a sub lies on the reference, from their stars alone."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stackbench.registration import refinement
from stackbench.registration.asterisms import (
    Asterisms,
    ShapeIndex,
    all_triples,
    asterisms,
    near_triples,
)
from stackbench.registration.candidates import (
    FALSE_LIMIT,
    Candidate,
    Search,
    merged,
    plain_candidate,
    settled_candidates,
)
from stackbench.registration.placements import propose
from stackbench.registration.reference_stars import ReferenceStars
from stackbench.registration.refinement import Fit, Model
from stackbench.registration.starlists import NoMatch, StarList, brightest_first

# Wide triangles: all those of the reference's 45 brightest stars, against all
# those of 24 stars of the sub, first the brightest, then fainter ones in case
# one frame lost its brightest stars to saturation.
_WINDOW, _WINDOW_STEP, _WINDOWS = 24, 12, 3
# The ordinary sub shows itself on far fewer stars. Its brightest may all be
# none (hot pixels, satellites), so others are looked at before the wide search,
# and last neighbours, which another filter's order of brightness leaves alone.
_FEW, _FEW_WINDOWS = 12, 4
# Near triangles serve when the brightness orders have little in common.
_NEAR_STARS, _NEIGHBOURS = 200, 6
# A placement that matches this share of the stars that could match is clear.
_CLEAR_SHARE = 0.4


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
    `chance.expected_false` is at most 1e-6. A few triangles of bright stars come
    first, looked up among those of stars of like brightness, then triangles of
    neighbours: a placement that passes and pairs two fifths of the reference's
    stars is taken at once, unless another one proposed, or the reference's own
    pattern, could rival it. All other subs are searched widely.
    """
    if model not in ("similarity", "affine"):
        raise ValueError(f"model must be 'similarity' or 'affine', got {model!r}")
    if not (tolerance_px > 0 and 0 < scales[0] < scales[1]):
        raise ValueError(f"unusable tolerance or scales: {tolerance_px}, {scales}")
    stars = brightest_first(xy, flux, sigma_px=sigma_px, whose="the sub")
    search = Search(
        xy=stars.xy,
        reference_xy=reference.stars.xy,
        tree=reference.tree,
        raster=reference.raster,
        model=model,
        tolerance_px=tolerance_px,
        scales=scales,
    )
    best = _plain(reference, search) or _searched(reference, search)
    fit = refinement.clipped_fit(
        best.matrix,
        stars.xy,
        reference.stars.xy,
        best.pairs,
        model=model,
        sigma_px=stars.sigma_px,
        reference_sigma_px=reference.stars.sigma_px,
    )
    if fit is None or fit.error_px > search.tolerance(best.matrix) / 2:
        raise NoMatch(
            f"the {len(best.pairs)} stars that match lie too close together, or scatter too "
            "much, to say where the corners of the sub belong"
        )
    return _star_match(fit, stars, reference.stars, false=best.false)


def _plain(reference: ReferenceStars, search: Search) -> Candidate | None:
    """Find the placement of an ordinary sub, on which most stars of both lists agree."""
    if reference.repeats:
        return None
    for first, triangles, known in _glances(search.xy, reference):
        placements = propose(search.xy, triangles, search.reference_xy, known, scales=search.scales)
        found = plain_candidate(placements, search, first=first)
        if found is not None:
            return found
    return None


def _glances(
    stars: NDArray[np.float64], reference: ReferenceStars
) -> Iterator[tuple[int, Asterisms, ShapeIndex]]:
    """Yield the first star that scores, few triangles to look up, and where."""
    for first in range(0, min(_FEW * _FEW_WINDOWS, len(stars) - _FEW + 1), _FEW):
        yield first, asterisms(stars, all_triples(first, first + _FEW)), reference.band
    yield 0, _near(stars), reference.near


def _searched(reference: ReferenceStars, search: Search) -> Candidate:
    """Find the placement of any sub, and make sure that it has no rival."""
    found: list[Candidate] = []
    for triangles, known in _stages(search.xy, reference):
        placements = propose(search.xy, triangles, search.reference_xy, known, scales=search.scales)
        found = merged(found, settled_candidates(placements, search), search)
        # A placement that leaves most stars alone may be true (clouds, another
        # filter) or a pattern that is not of the sky (hot pixels): look on.
        if any(one.false <= FALSE_LIMIT and one.share >= _CLEAR_SHARE for one in found):
            break
    return _decided(found, search)


def _stages(
    stars: NDArray[np.float64], reference: ReferenceStars
) -> Iterator[tuple[Asterisms, ShapeIndex]]:
    """Yield triangles to look up and where, the likeliest to succeed first."""
    for window in range(_WINDOWS):
        first = window * _WINDOW_STEP
        last = min(first + _WINDOW, len(stars))
        if window == 0 or last - first > _WINDOW_STEP:
            yield asterisms(stars, all_triples(first, last)), reference.wide
    yield _near(stars), reference.near


def _near(stars: NDArray[np.float64]) -> Asterisms:
    return asterisms(stars, near_triples(stars[:_NEAR_STARS], _NEIGHBOURS))


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


def _star_match(fit: Fit, stars: StarList, reference: StarList, *, false: float) -> StarMatch:
    ours, theirs = fit.pairs.T
    pairs = np.column_stack([stars.indices[ours], reference.indices[theirs]])
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
