"""The map of bad pixels that a master shows: which, and of which sort."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.columns import odd_columns
from stackbench.calibration.records import Defect, DefectCounts, Defects
from stackbench.calibration.surroundings import outside, tile_levels
from stackbench.frames.records import Kind

# A pixel this many σ of a single frame above its surroundings adds noise of
# its own that dark subtraction cannot take away (common practice, no source).
HOT_SIGMA = 8.0
# Response relative to the surroundings (common practice, no source).
_DIM_RESPONSE = 0.5
_BRIGHT_RESPONSE = 2.0
# More than this share marked is not a matter of bad pixels any more.
MOST_BAD_SHARE = 0.05
# Of its neighbours' response; a trap that takes so much of a flat takes far more of a
# faint sky (common practice, no source).
_COLUMN_SHARE = 0.05
# Of the noise of one dark: less is lost in it (common practice, no source).
_COLUMN_SIGMA = 2.0


def find_defects(
    kind: Kind,
    data: NDArray[np.float32],
    *,
    noise_adu: float = 0.0,
    unstable: NDArray[np.int64] | None = None,
) -> Defects:
    """Find the bad pixels of a master dark or flat.

    Parameters
    ----------
    kind : Kind
        Dark, dark-flat or flat.
    data : ndarray, shape (ny, nx), float32
        The master.
    noise_adu : float
        Random noise of a single dark, ADU.
    unstable : ndarray, shape (n,), int64, optional
        Pixels that vary between the darks, y × nx + x.

    Returns
    -------
    Defects
        Each pixel once, as the first of hot, cold, unstable, dim, bright and odd
        column that it is. A map of more than 5 % of the pixels is not listed, only
        counted: something else is wrong then.
    """
    if kind is Kind.FLAT:
        dim, bright = uneven_pixels(data)
        found = {
            Defect.DIM: np.flatnonzero(dim),
            Defect.BRIGHT: np.flatnonzero(bright),
            Defect.COLUMN: odd_columns(data, least_share=_COLUMN_SHARE),
        }
        return defects_of(found, data.size)
    hot, cold = hot_pixels(data, noise_adu=noise_adu)
    found = {
        Defect.HOT: np.flatnonzero(hot),
        Defect.COLD: np.flatnonzero(cold),
        Defect.COLUMN: odd_columns(data, least_adu=_COLUMN_SIGMA * noise_adu),
    }
    if unstable is not None:
        found[Defect.UNSTABLE] = unstable
    return defects_of(found, data.size)


def defects_of(found: Mapping[Defect, NDArray[np.integer[Any]]], pixels: int) -> Defects:
    """Put the pixels of several sorts into one map.

    Parameters
    ----------
    found : mapping of Defect to ndarray of shape (n,), integer
        y × nx + x of each sort's pixels, each once.
    pixels : int
        How many the frame has.

    Returns
    -------
    Defects
        As `find_defects` says.
    """
    order = sorted(found)
    places = np.concatenate([found[sort].astype(np.int32) for sort in order])
    sorts = np.repeat(np.array(order, dtype=np.int32), [found[sort].size for sort in order])
    places, first = np.unique(places, return_index=True)  # the first of each
    sorts = sorts[first]
    counts = DefectCounts(
        **{sort.name.lower(): int(np.count_nonzero(sorts == sort)) for sort in Defect}
    )
    if places.size > MOST_BAD_SHARE * pixels:
        places, sorts = places[:0], sorts[:0]
    return Defects(places=places, sorts=sorts, counts=counts)


def hot_pixels(
    dark: NDArray[np.float32],
    *,
    noise_adu: float = 0.0,
    scale: float = 1.0,
    sigma: float = HOT_SIGMA,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark pixels of a dark far above and far below their surroundings.

    Parameters
    ----------
    dark : ndarray, shape (ny, nx), float32
        Master dark, ADU; NaN is not marked.
    noise_adu : float
        Random noise of a single frame, ADU: the least σ.
    scale : float
        Factor on the excess over the surroundings before it is judged.
    sigma : float
        The limit, in σ. σ is the larger of `noise_adu` and, times `scale`, the
        scaled MAD of the dark's pixels around the place.

    Returns
    -------
    hot, cold : ndarray, shape (ny, nx), bool
        Above the local median by more than the limit, and below it.
    """
    level, spread = tile_levels(dark)
    # Without any noise (one frame, or made by hand) half an ADU is a limit.
    limit = np.maximum(sigma * np.maximum(noise_adu / scale, spread), 0.5 / scale)
    return outside(dark, floor=level - limit, ceiling=level + limit)[::-1]


def uneven_pixels(
    flat: NDArray[np.float32], *, dim: float = _DIM_RESPONSE, bright: float = _BRIGHT_RESPONSE
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Mark pixels of a flat whose response is far from that of their surroundings.

    Parameters
    ----------
    flat : ndarray, shape (ny, nx), float32
        Master flat; what is not above 0 counts as dim, NaN is not marked.
    dim, bright : float
        Limits, relative to the local median.

    Returns
    -------
    dim, bright : ndarray, shape (ny, nx), bool
        Below the lower limit, and above the upper one.
    """
    level, _ = tile_levels(flat)
    least = np.finfo(np.float32).tiny
    return outside(flat, floor=np.maximum(dim * level, least), ceiling=bright * level)
