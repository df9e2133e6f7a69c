"""Where the noise of a stack comes from: its subs, and the masters that they share.

The noise of the subs themselves averages down with their number. That of a
master does so only as far as the subs stand on different places of the sensor:
subs that were not dithered all carry the same error at the same place. How far
they do is taken from their placements, not assumed.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from stackbench.registration.lanczos import RADIUS, tap_weights

F64 = NDArray[np.float64]

_STEPS = 32  # to one pixel, in the table of correlations
# Of the grid, each way: rotated subs are dithered more at its rim. Even, since the
# middle lies on itself in subs turned by 180 degrees.
_POINTS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SubNoise:
    """One sub of a stack, as far as its noise is concerned.

    `noise_adu` is that of its calibrated background, `weight` its share in the
    stack (all shares sum to 1) and `scale` the factor it enters with. `read_adu`
    is the camera's read noise, None where unknown. `pushes` is the noise that
    each master adds to it, ADU, with the sign of the master's influence; it is
    part of `noise_adu`.
    """

    noise_adu: float
    weight: float
    scale: float
    read_adu: float | None
    pushes: Mapping[int, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseBudget:
    """What the variance of a stack is made of, ADU² of its reference's scale.

    `own` is that of the subs themselves, `read` the part of it that their
    read noise makes (None where that is unknown for one of them). `masters` is
    that of each master with the subs where they stand on the sensor,
    `scattered` what it would be if no two of them shared a place.
    """

    own: float
    read: float | None
    masters: Mapping[int, float]
    scattered: Mapping[int, float]

    @property
    def total(self) -> float:
        """The variance of the stack.

        Returns
        -------
        float
            ADU², as if nothing had been resampled.
        """
        return self.own + math.fsum(self.masters.values())

    @property
    def growth(self) -> float:
        """By which factor the noise is above that of subs that share nothing.

        Returns
        -------
        float
            1 when all masters' noise averages down like the subs' own.
        """
        independent = self.own + math.fsum(self.scattered.values())
        return math.sqrt(self.total / independent)

    def gain_of_more(self, master: int, *, frames: int, more: int) -> float:
        """Tell which part of the stack's noise more frames in a master would take away.

        Parameters
        ----------
        master : int
            The master.
        frames : int
            How many frames it is made of.
        more : int
            How many are added; its variance goes with the inverse of their number.

        Returns
        -------
        float
            From 0 to 1.
        """
        saved = self.masters[master] * more / (frames + more)
        return 1 - math.sqrt(max(0.0, 1 - saved / self.total))

    @property
    def gain_of_dithering(self) -> float:
        """Tell which part of the noise perfect dithering would take away.

        Returns
        -------
        float
            From 0 to 1; 0 when nothing is to be had.
        """
        return max(0.0, 1 - 1 / self.growth)


def noise_budget(subs: Sequence[SubNoise], overlaps: F64) -> NoiseBudget:
    """Part the noise of a stack by where it comes from.

    Parameters
    ----------
    subs : sequence of SubNoise
        What went in, at least one.
    overlaps : ndarray, shape (n, n), float64
        How far two subs share their places on the sensor, from `sensor_overlaps`.

    Returns
    -------
    NoiseBudget
        Variances of the background where all subs overlap.
    """
    shares = np.array([sub.weight * sub.scale for sub in subs])
    variances = np.array([sub.noise_adu**2 for sub in subs])
    masters: dict[int, float] = {}
    scattered: dict[int, float] = {}
    for master in dict.fromkeys(key for sub in subs for key in sub.pushes):
        pushes = np.array([sub.pushes.get(master, 0.0) for sub in subs])
        variances -= pushes**2
        parts = shares * pushes
        masters[master] = max(0.0, float(parts @ overlaps @ parts))
        scattered[master] = float(parts @ parts)
    # the measured noise of a sub is good to a per cent, and so is what is left of it
    own = np.maximum(variances, 0.0)
    reads = [sub.read_adu for sub in subs if sub.read_adu is not None]
    read = None
    if len(reads) == len(subs):
        read = float(shares**2 @ np.minimum(np.array(reads) ** 2, own))
    return NoiseBudget(own=float(shares**2 @ own), read=read, masters=masters, scattered=scattered)


def sensor_overlaps(matrices: Sequence[F64], grid_shape: tuple[int, int]) -> F64:
    """Tell how far each two subs put the same places of the sensor on one another.

    Parameters
    ----------
    matrices : sequence of ndarray, shape (3, 3), float64
        From each sub to the grid.
    grid_shape : tuple of int
        The grid's (ny, nx).

    Returns
    -------
    ndarray, shape (n, n), float64
        Correlation of one master's noise in two subs, mean over the grid: 1 where
        they were not dithered against each other, about 0 from some pixels on.
    """
    ny, nx = grid_shape
    x, y = np.meshgrid(np.linspace(0, nx - 1, _POINTS), np.linspace(0, ny - 1, _POINTS))
    grid = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    places = np.array([np.linalg.inv(matrix) @ grid for matrix in matrices])[:, :2]
    overlaps = np.eye(len(matrices))
    for k, place in enumerate(places[:-1]):
        apart = np.abs(places[k + 1 :] - place)
        shared = _correlation(apart[:, 0]) * _correlation(apart[:, 1])
        overlaps[k, k + 1 :] = overlaps[k + 1 :, k] = shared.mean(axis=1)
    return overlaps


def _correlation(apart: F64) -> F64:
    """Correlate white noise with itself as resampled at a distance along one axis, pixels."""
    table = _correlations()
    return np.asarray(np.interp(apart, np.arange(len(table)) / _STEPS, table, right=0.0))


@cache
def _correlations() -> F64:
    """Table of the above by steps of a pixel, mean over all phases."""
    width = 4 * RADIUS + 1
    phases = np.arange(_STEPS) / _STEPS
    weights = np.zeros((2 * RADIUS + 1, _STEPS, width))
    for pixel in range(2 * RADIUS + 1):
        weights[pixel, :, pixel : pixel + 2 * RADIUS] = tap_weights(phases)
    laid = weights.reshape(-1, width)  # by position, from 0 on in steps
    start = laid[:_STEPS]
    table = np.array([(start * laid[k : k + _STEPS]).sum() for k in range(len(laid) - _STEPS + 1)])
    return np.asarray(table / table[0])
