"""What noise a stack should have, from its subs' noise, weights and resampling.

Resampling averages neighbouring pixels, so that the noise from pixel to pixel
shrinks while that over larger areas stays: a stack's pixel σ understates what
matters for faint, extended things. Predictions tell both.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stackbench.registration.lanczos import PHASES, variance_table
from stackbench.registration.placement import Placement, place
from stackbench.stacking.records import StackInput

if TYPE_CHECKING:
    from stackbench.rejection.methods import Method


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedNoise:
    """Noise (1σ) of the stack's background, ADU of the reference's scale.

    `pixel_adu` is what the scatter from pixel to pixel in the stack should
    show; `white_adu` what it would be had nothing been resampled.
    """

    pixel_adu: float
    white_adu: float


def resampling_noise(placement: Placement, grid_shape: tuple[int, int]) -> float:
    """Return the mean factor by which resampling changes a sub's pixel noise.

    Parameters
    ----------
    placement : Placement
        Where the sub lies on the grid.
    grid_shape : tuple of int
        The grid's (ny, nx).

    Returns
    -------
    float
        √ of the mean over the grid of Σw² of all weights of a result.
    """
    inverse = placement.inverse
    ny, nx = grid_shape
    # Whole pixels, since that is where the grid has its own; a lattice fine enough for
    # slow drifts. Where the phase runs through many pixels it meets every phase alike.
    x, y = np.meshgrid(np.rint(np.linspace(0, nx - 1, 67)), np.rint(np.linspace(0, ny - 1, 71)))
    factor = 1.0
    variance = np.ones_like(x)
    for axis in range(2):
        drift = abs(inverse[axis, 0] - (axis == 0)) * nx + abs(inverse[axis, 1] - (axis == 1)) * ny
        if drift > 16:
            factor *= float(variance_table().mean())
            continue
        position = inverse[axis, 0] * x + inverse[axis, 1] * y + inverse[axis, 2]
        table = variance_table()
        variance *= table[np.rint(position * PHASES).astype(np.int64) % PHASES]
    return float(np.sqrt(factor * variance.mean()))


def predict_noise(
    subs: Sequence[StackInput], grid_shape: tuple[int, int], *, method: "Method | None" = None
) -> PredictedNoise:
    """Predict the noise of a stack where all its subs overlap.

    Parameters
    ----------
    subs : sequence of StackInput
        At least one.
    grid_shape : tuple of int
        The grid's (ny, nx).
    method : Method, optional
        How values are rejected: a median knows no weights and scatters more.

    Returns
    -------
    PredictedNoise
        Rejection of a few per cent of good values is not counted.
    """
    from stackbench.rejection.efficiency import median_variance
    from stackbench.rejection.methods import Method
    from stackbench.stacking.weights import noise_of_weighted_mean

    is_median = method is Method.MEDIAN
    weights = [1.0 if is_median else sub.weight for sub in subs]
    spread = math.sqrt(median_variance(len(subs))) if is_median else 1.0
    white = [sub.noise_adu * sub.scale for sub in subs]
    pixel = [
        sigma * resampling_noise(place(sub.matrix, sub.source.shape), grid_shape)
        for sub, sigma in zip(subs, white, strict=True)
    ]
    return PredictedNoise(
        pixel_adu=spread * noise_of_weighted_mean(weights, pixel),
        white_adu=spread * noise_of_weighted_mean(weights, white),
    )
