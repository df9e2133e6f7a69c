"""Combining a cube along its depth: rejection, then the weighted mean."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stackbench.rejection import kernels, plain_kernels
from stackbench.rejection.buffers import Results, make_aside, make_results, make_scratch
from stackbench.rejection.limits import (
    WINSOR_CUT,
    clip_limits,
    least_limits,
    mad_scales,
    winsorised_limits,
)
from stackbench.rejection.methods import Method, Rejection
from stackbench.rejection.networks import sorting_network
from stackbench.rejection.scaled_clipping import FIELDS
from stackbench.rejection.untouched import NO_BOUNDS, Bounds, layer_bounds

_DEEPEST = 65535  # counts are uint16
# Expected number of a column's good values beyond the least limits from which
# looking for columns without any would cost more than it saves.
_MOST_TOUCHED = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """One pixel row from many: what was kept, and what was rejected.

    All arrays have shape (n,). `mean` is NaN where no value was valid; `kept`
    counts the values in it, `low` and `high` those rejected below and above;
    the three add up to the number of finite values.
    """

    mean: NDArray[np.float32]
    kept: NDArray[np.uint16]
    low: NDArray[np.uint16]
    high: NDArray[np.uint16]


def empty_combined(pixels: int) -> Combined:
    """Make room for the result of so many pixels.

    Parameters
    ----------
    pixels : int
        Number of pixels.

    Returns
    -------
    Combined
        Uninitialised arrays, to be passed as `into`.
    """
    return Combined(**make_results(pixels)._asdict())


def combine_depth(
    cube: NDArray[np.float32],
    *,
    rejection: Rejection,
    weights: ArrayLike | None = None,
    noise: ArrayLike | None = None,
    into: Combined | None = None,
) -> Combined:
    """Reject along the depth and average what is left, pixel by pixel.

    Parameters
    ----------
    cube : ndarray, shape (depth, n), float32, C-contiguous
        Values, already scaled and offset to a common level. NaN and infinite
        values count as missing. Not modified.
    rejection : Rejection
        How to reject; its method settled (`methods.choose`). With fewer than
        three valid values at a pixel nothing is clipped there.
    weights : array_like, shape (depth,), optional
        Weight of each layer in the mean, at least 0. They do not affect which
        values are rejected; the median ignores them.
    noise : array_like, shape (depth,), optional
        Expected standard deviation of each layer's values, above 0, in the
        unit of the cube. The clips then never take the scale for less, so that
        a few values that agree by chance do not cost good ones, and far weaker
        outliers can be told at small depth; unequal noise makes each layer's
        limits its own. The more quantised the data are (integer frames of low
        noise), the more this is needed.
    into : Combined, optional
        Arrays to write to; by default they are made.

    Returns
    -------
    Combined
        Mean and counts, shape (n,). NaN where nothing was valid, or where all
        that was kept has weight 0.

    Raises
    ------
    ValueError
        If shapes, types or layout are not as stated, the method is not
        settled, or weights or noise are out of range.
    """
    _check_cube(cube)
    depth, pixels = cube.shape
    layer_weights = _weights(weights, depth)
    layer_noise = _noise(noise, depth)
    result = empty_combined(pixels) if into is None else into
    _check_into(result, pixels)
    _run(cube, rejection, layer_weights, layer_noise, result)
    return result


def _run(
    cube: NDArray[np.float32],
    rejection: Rejection,
    weights: NDArray[np.float64],
    noise: NDArray[np.float64],
    result: Combined,
) -> None:
    """Hand the cube to the kernel of the method, with tables and scratch space."""
    depth = cube.shape[0]
    scratch = make_scratch(depth, FIELDS)
    results = Results(mean=result.mean, kept=result.kept, low=result.low, high=result.high)
    method = rejection.method
    if method is Method.NONE:
        equal = weights if weights.size else np.ones(depth)
        plain_kernels.average_cube(cube, np.ones(depth, np.float32), equal, scratch, results)
        return
    steps = sorting_network(depth)
    if method is Method.MEDIAN:
        plain_kernels.median_cube(cube, steps, scratch, results)
        return
    if method is Method.MIN_MAX:
        counts = (np.float32(rejection.lowest), np.float32(rejection.highest))
        plain_kernels.trim_cube(cube, steps, *counts, weights, scratch, results)
        return
    plan = _plan(depth, rejection, weights.tobytes(), noise.tobytes())
    kernels.clip_cube(cube, *plan, scratch, make_aside(depth), results)


@lru_cache(maxsize=16)
def _plan(
    depth: int, rejection: Rejection, weight_bytes: bytes, noise_bytes: bytes
) -> tuple[kernels.Tables, Bounds, np.float32 | None]:
    """Work out what a clip goes by, once for all pieces of an image."""
    weights, noise = np.frombuffer(weight_bytes), np.frombuffer(noise_bytes)
    low, high, known = rejection.low, rejection.high, noise.size > 0
    unequal = known and noise.min() < noise.max()
    typical = float(np.median(noise)) if known else 0.0
    pull = None
    if rejection.method is Method.SIGMA_CLIP:
        limits = clip_limits(depth, low, high, noise_known=known)
        start, factors, shift = limits.start, limits.factors, limits.shift
    elif rejection.method is Method.WINSORISED:
        start = mad_scales(depth).astype(np.float32)
        factors, shift = winsorised_limits(depth, low, high, noise_known=known), 0.0
        pull = np.float32(WINSOR_CUT * typical)
    else:
        raise ValueError(f"the method must be settled before combining, got {rejection.method}")
    tables = kernels.Tables(
        steps=sorting_network(depth),
        kappa=np.array([low, high], np.float32),
        start=start,
        factors=factors,
        shift=np.float32(shift),
        iterations=rejection.iterations,
        noise=np.float32(typical),
        inverse_noise=(1 / noise if unequal else np.ones(depth)).astype(np.float32),
        unequal=np.bool_(unequal),
        weights=np.ones(depth) if unequal and not weights.size else weights.copy(),
    )
    return tables, _bounds(rejection, weights, noise) if known else NO_BOUNDS, pull


def _bounds(
    rejection: Rejection, weights: NDArray[np.float64], noise: NDArray[np.float64]
) -> Bounds:
    """Work out the least limits of a clip, layer by layer, where they are of use."""
    depth = noise.size
    if depth < 3:
        return NO_BOUNDS
    winsorised = rejection.method is Method.WINSORISED
    low, high = least_limits(depth, rejection.low, rejection.high, winsorised=winsorised)
    touched = depth / 2 * (math.erfc(low / math.sqrt(2)) + math.erfc(high / math.sqrt(2)))
    if touched > _MOST_TOUCHED:
        return NO_BOUNDS
    ones = np.ones(depth)
    return layer_bounds(
        below=low * noise,
        above=high * noise,
        central=ones if winsorised else noise**-2,
        weights=weights if weights.size else ones,
    )


def _check_cube(cube: NDArray[np.float32]) -> None:
    if cube.ndim != 2 or cube.dtype != np.float32 or not cube.flags.c_contiguous:
        raise ValueError(
            "cube must be C-contiguous float32 of shape (depth, n), "
            f"got {cube.dtype} of shape {cube.shape}"
        )
    if not 1 <= cube.shape[0] <= _DEEPEST:
        raise ValueError(f"depth must be from 1 to {_DEEPEST}, got {cube.shape[0]}")


def _check_into(result: Combined, pixels: int) -> None:
    for name in ("mean", "kept", "low", "high"):
        array = getattr(result, name)
        wanted = np.float32 if name == "mean" else np.uint16
        if array.shape != (pixels,) or array.dtype != wanted or not array.flags.c_contiguous:
            raise ValueError(
                f"into.{name} must be contiguous {np.dtype(wanted)} of shape ({pixels},), "
                f"got {array.dtype} of shape {array.shape}"
            )


def _weights(weights: ArrayLike | None, depth: int) -> NDArray[np.float64]:
    """Check the weights; none at all if they are equal."""
    if weights is None:
        return np.empty(0)
    checked = np.asarray(weights, dtype=np.float64)
    if checked.shape != (depth,):
        raise ValueError(f"weights must have shape ({depth},), got {checked.shape}")
    if not np.isfinite(checked).all() or checked.min() < 0 or checked.max() == 0:
        raise ValueError("weights must be finite, at least 0 and not all 0")
    return np.empty(0) if checked.min() == checked.max() else np.ascontiguousarray(checked)


def _noise(noise: ArrayLike | None, depth: int) -> NDArray[np.float64]:
    if noise is None:
        return np.empty(0)
    checked = np.asarray(noise, dtype=np.float64)
    if checked.shape != (depth,):
        raise ValueError(f"noise must have shape ({depth},), got {checked.shape}")
    if not np.isfinite(checked).all() or checked.min() <= 0:
        raise ValueError("noise must be finite and above 0")
    return checked
