"""Pixels that no calibration can mend: hot and cold ones, dead and dim ones."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.records import Master
from stackbench.calibration.surroundings import outside, tile_levels
from stackbench.frames.records import Problem

# A pixel this many σ of a single frame above its surroundings adds noise of
# its own that dark subtraction cannot take away (common practice, no source).
HOT_SIGMA = 8.0
# Response relative to the surroundings (common practice, no source).
_DIM_RESPONSE = 0.5
_BRIGHT_RESPONSE = 2.0
# More than this share marked is not a matter of bad pixels any more.
_MOST_BAD_SHARE = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class BadPixels:
    """Which pixels are undefined in every calibrated frame.

    `mask` is (ny, nx) bool, True where bad. `hot` and `cold` are the counts
    from the dark, `dim` and `bright` those from the flat.
    """

    mask: NDArray[np.bool_]
    hot: int = 0
    cold: int = 0
    dim: int = 0
    bright: int = 0
    problems: tuple[Problem, ...] = ()


def bad_pixels(
    *, dark: Master | None, flat: Master | None, dark_scale: float | None = None
) -> BadPixels | None:
    """Mark the bad pixels that the masters show.

    Parameters
    ----------
    dark : Master or None
        Shows hot and cold pixels.
    flat : Master or None
        Shows dim and bright ones.
    dark_scale : float, optional
        Exposure of the light over that of the dark, when they differ: a short
        light gathers less of a hot pixel's current.

    Returns
    -------
    BadPixels or None
        None without dark and flat.

    Notes
    -----
    A master that would mark more than 5 % of the pixels is not believed: it
    marks only those that are undefined in it, and a problem says so.
    """
    masks: list[NDArray[np.bool_]] = []
    counts = {"hot": 0, "cold": 0, "dim": 0, "bright": 0}
    problems: list[Problem] = []
    if dark is not None:
        noise = dark.frame_noise_adu or 0.0
        above, below = hot_pixels(dark.data, noise_adu=noise, scale=dark_scale or 1.0)
        _take("dark", dark, {"hot": above, "cold": below}, masks, counts, problems)
    if flat is not None:
        dim, bright = uneven_pixels(flat.data)
        _take("flat", flat, {"dim": dim, "bright": bright}, masks, counts, problems)
    if not masks:
        return None
    mask = masks[0]
    for other in masks[1:]:
        mask = mask | other
    return BadPixels(mask=mask, problems=tuple(problems), **counts)


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
    return outside(dark, lower=level - limit, upper=level + limit)[::-1]


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
    return outside(flat, lower=np.maximum(dim * level, least), upper=bright * level)


def _take(
    name: str,
    master: Master,
    found: dict[str, NDArray[np.bool_]],
    masks: list[NDArray[np.bool_]],
    counts: dict[str, int],
    problems: list[Problem],
) -> None:
    """Add what a master shows to the masks, unless it marks too much."""
    mask = np.logical_or.reduce(list(found.values()))
    share = float(np.count_nonzero(mask)) / mask.size
    if share > _MOST_BAD_SHARE:
        problems.append(
            Problem(
                what=f"The bad pixels that the master {name} shows are not used",
                why=f"It would mark {share:.1%} of the pixels, limit {_MOST_BAD_SHARE:.0%}.",
                remedy=f"Look at the {name} frames: light may have leaked in, or the "
                "camera been set up differently.",
                path=master.paths[0],
            )
        )
        masks.append(~np.isfinite(master.data))
        return
    masks.append(mask | ~np.isfinite(master.data))
    for sort, marked in found.items():
        counts[sort] += int(np.count_nonzero(marked))
