"""Limits for a clip at any depth: what κ means when the scale is a guess.

κ stands for a share of good values given up: erfc(κ/√2) of a Gaussian. With few
values the scale is uncertain, and a limit at κ scales would give up far more
(over 10 % at five values and 3 × 1.4826 MAD). The limits here keep the share.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from stackbench.frames.robust import MAD_TO_SIGMA

WINSOR_CUT = 1.5

# Small-sample factors of the MAD for 2 … 9 values; n / (n - 0.8) beyond
# (Croux & Rousseeuw 1992, COMPSTAT 1, 411).
_MAD_FACTORS = (1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107)

# The first limits only choose the values from which the mean and spread are
# first taken. At small depth a MAD is often far too small by chance, and so
# narrow a choice would make a spread too small to let the good values back in:
# the first limits are wider by 1 + 50/n². Less gives up too many good values
# (no widening: 2.9 times the stated share at n = 7), more lets two outliers hide
# each other (n = 8, two of 25 σ: missed in 0.1 %, at 1 + 100/n² in 3 %).
_START_WIDENING = 50.0

# Degrees of freedom of Student's t that give the winsorised clip its share at
# κ = 3: 1.34 n - 0.5, fitted to simulated Gaussian noise for 5 … 200 values; at
# four, where the pulled-in scale hardly varies, more.
_WINSOR_DEGREES = 1.34
_WINSOR_LOST = 0.5
_WINSOR_DEGREES_OF_FOUR = 8.0

# Of a winsorised clip with an expected noise: an outlying value's part in the
# centre that it is held against, and in the scale.
_WINSOR_OWN = 1.5

# Above any limit; times any scale it stays finite.
_NEVER = 1e18


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipLimits:
    """Tables for one κσ clip, indexed by the number of values.

    `start` takes a MAD to the scale of the first limits. `factors` holds, for
    m kept values, four limits in units of their standard deviation: low and
    high if others were rejected, low and high if none was. `shift` is the
    displacement of a clipped Gaussian's mean in units of its spread.
    """

    start: NDArray[np.float32]
    factors: NDArray[np.float32]
    shift: float


@lru_cache(maxsize=256)
def clip_limits(depth: int, low: float, high: float, *, noise_known: bool) -> ClipLimits:
    """Tabulate the limits of a κσ clip for every count up to the depth.

    A value left out is held against the mean and standard deviation s of the m
    kept values. Their difference is a Student's t of m - 1 degrees of freedom
    times s sqrt(1 + 1/m); the limit is the t of the same tail as κ. If no value
    was left out, the same test of the farthest one is, in terms of the mean
    and s that include it, t (m - 1) / sqrt(m (m - 2 + t²)). Where others were
    clipped, s is that of a Gaussian cut at κ, and is divided by what the cut
    leaves of it.

    With an expected noise the scale cannot fall by chance, and κ itself takes
    the place of t.

    Parameters
    ----------
    depth : int
        Largest number of values.
    low, high : float
        κ below and above the centre.
    noise_known : bool
        Whether the expected noise limits the scale from below.

    Returns
    -------
    ClipLimits
        The tables, `depth` + 1 lines.

    References
    ----------
    Thompson 1935, Ann. Math. Stat. 6, 214 (deviation from a mean that holds
    the value).
    """
    left, shift = cut_gaussian(low, high)
    counts = np.maximum(np.arange(depth + 1.0), 1.0)
    factors = np.full((depth + 1, 2, 2), _NEVER)
    for side, kappa in enumerate((low, high)):
        m = counts[2:]
        limit = kappa if noise_known else _student(kappa, m - 1)
        factors[2:, 0, side] = limit * np.sqrt(1 + 1 / m) / left
        m = counts[3:]
        limit = (kappa if noise_known else _student(kappa, m - 2)) / left
        factors[3:, 1, side] = limit * (m - 1) / np.sqrt(m * (m - 2 + limit**2))
    start = mad_scales(depth)
    if not noise_known:
        start *= 1 + _START_WIDENING / counts**2
    return ClipLimits(
        start=_table(start),
        factors=_table(np.minimum(factors, _NEVER)),
        shift=shift / left,
    )


def _table(values: NDArray[np.float64]) -> NDArray[np.float32]:
    """Make a flat table that all threads may share."""
    table: NDArray[np.float32] = values.astype(np.float32).ravel()
    table.flags.writeable = False
    return table


def mad_scales(depth: int) -> NDArray[np.float64]:
    """Tabulate the factor that takes a MAD to σ, for every count up to the depth.

    Parameters
    ----------
    depth : int
        Largest number of values.

    Returns
    -------
    ndarray, shape (depth + 1,), float64
        1.4826 times the small-sample factor; that of two values for fewer.
    """
    count = np.arange(depth + 1)
    factors = np.where(count > 9, count / np.maximum(count - 0.8, 1.0), 1.0)
    known = np.array(_MAD_FACTORS[:1] * 2 + _MAD_FACTORS)[: depth + 1]
    factors[: known.size] = known
    scales: NDArray[np.float64] = MAD_TO_SIGMA * factors
    return scales


@lru_cache(maxsize=256)
def winsorised_limits(
    depth: int, low: float, high: float, *, noise_known: bool
) -> NDArray[np.float32]:
    """Tabulate the limits of a winsorised clip for every count up to the depth.

    The value judged is itself among those that made centre and scale, so that
    it lies nearer by sqrt(1 - 1/n); where the expected noise sets the scale, an
    outlying value lifts the scale a little above it, which sqrt(1 - 1.5/n)
    makes good.

    Parameters
    ----------
    depth : int
        Largest number of values.
    low, high : float
        κ below and above the centre.
    noise_known : bool
        Whether the expected noise limits the scale from below.

    Returns
    -------
    ndarray, shape (2 (depth + 1),), float32
        For each count the low and the high limit, in units of the scale.
    """
    count = np.maximum(np.arange(depth + 1), 1)
    factors = np.full((depth + 1, 2), _NEVER)
    own = _WINSOR_OWN if noise_known else 1.0
    degrees = np.maximum(_WINSOR_DEGREES * count - _WINSOR_LOST, 1.0)
    degrees[count == 4] = _WINSOR_DEGREES_OF_FOUR
    for side, kappa in enumerate((low, high)):
        limit = kappa if noise_known else _student(kappa, degrees)
        factors[:, side] = limit * np.sqrt(np.maximum(1 - own / count, 0.0))
    factors[:3] = _NEVER
    return _table(np.minimum(factors, _NEVER))


def least_limits(depth: int, low: float, high: float, *, winsorised: bool) -> tuple[float, float]:
    """Give the least distance from the mean at which a clip rejects one of all values.

    That is where the expected noise sets the scale and nothing was rejected
    yet; with whatever else the values are, the limits are wider.

    Parameters
    ----------
    depth : int
        Number of values, at least 3.
    low, high : float
        κ below and above the centre.
    winsorised : bool
        Whether the clip is winsorised, else κσ.

    Returns
    -------
    low, high : float
        In units of the expected noise.
    """
    own = _WINSOR_OWN if winsorised else 1.0
    factor = math.sqrt(1 - own / depth)
    return low * factor, high * factor


def _student(kappa: float, degrees: float | NDArray[np.float64]) -> Any:
    """Give the t that a Student's t exceeds as often as a Gaussian does κ."""
    tail: Any = ndtr(-kappa)
    freedom: Any = degrees
    return -stdtrit(freedom, tail)


def cut_gaussian(low: float, high: float) -> tuple[float, float]:
    """Work out what a cut leaves of a unit Gaussian.

    Parameters
    ----------
    low, high : float
        The cut keeps what lies from -`low` to +`high`.

    Returns
    -------
    spread, mean : float
        Standard deviation and mean of what is kept.
    """
    within = ndtr(high) + ndtr(low) - 1
    at_low, at_high = (np.exp(-(k**2) / 2) / np.sqrt(2 * np.pi) for k in (low, high))
    mean = (at_low - at_high) / within
    variance = 1 - (low * at_low + high * at_high) / within - mean**2
    return float(np.sqrt(variance)), float(mean)
