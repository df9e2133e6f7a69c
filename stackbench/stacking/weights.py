"""How much each sub counts in the mean."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def sub_weights(
    noise_adu: Sequence[float] | NDArray[np.float64],
    scales: Sequence[float] | NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Weigh subs by the inverse variance that they have after scaling.

    A sub of transparency s enters the stack multiplied by 1/s, and its noise
    with it, so that its weight is (s / noise)². This makes the noise of the
    mean as low as it can be (Gauss–Markov theorem).

    Parameters
    ----------
    noise_adu : sequence of float
        σ of each sub's background before scaling, ADU, above 0.
    scales : sequence of float, optional
        Factor by which each sub is multiplied (1 / transparency), above 0.

    Returns
    -------
    ndarray, shape (n,), float64
        Weights that sum to 1.

    Raises
    ------
    ValueError
        If a noise or a scale is not a finite number above 0.
    """
    noise = np.asarray(noise_adu, dtype=np.float64)
    factors = np.ones_like(noise) if scales is None else np.asarray(scales, dtype=np.float64)
    sigma = noise * factors
    if sigma.size == 0 or not (
        np.isfinite(sigma).all() and (noise > 0).all() and (sigma > 0).all()
    ):
        raise ValueError(f"noise {noise} and scales {factors} must be finite and above 0")
    weights = (sigma.min() / sigma) ** 2
    return np.asarray(weights / weights.sum(), dtype=np.float64)


def noise_of_weighted_mean(
    weights: Sequence[float] | NDArray[np.float64], sigmas: Sequence[float] | NDArray[np.float64]
) -> float:
    """Return σ of a weighted mean of independent values.

    Parameters
    ----------
    weights : sequence of float
        Relative weights.
    sigmas : sequence of float
        σ of each value.

    Returns
    -------
    float
        √Σw²σ² / Σw.
    """
    w = np.asarray(weights, dtype=np.float64)
    sigma = np.asarray(sigmas, dtype=np.float64)
    return float(np.sqrt((w * w * sigma * sigma).sum()) / w.sum())
