"""Hits of cosmic rays: short straight tracks of charge."""

import math

import numpy as np
from numpy.typing import NDArray


def add_cosmics(
    photons: NDArray[np.float32], flat: NDArray[np.float32], rng: np.random.Generator, count: int
) -> NDArray[np.int32]:
    """Add tracks of cosmic rays to the expected electrons of a frame, in place.

    Parameters
    ----------
    photons : ndarray, shape (ny, nx), float32
        Expected photo-electrons before flat-field losses.
    flat : ndarray, shape (ny, nx), float32
        Response to light, which a cosmic ray does not heed.
    rng : numpy.random.Generator
        Source of randomness.
    count : int
        Number of hits.

    Returns
    -------
    ndarray, shape (n, 2), int32
        The pixels (x, y) that were hit, each once.
    """
    ny, nx = photons.shape
    hit: dict[tuple[int, int], float] = {}
    for _ in range(count):
        x, y = rng.uniform(0, nx), rng.uniform(0, ny)
        angle, length = rng.uniform(0, 2 * math.pi), 1 + rng.exponential(3.0)
        charge_per_px = rng.uniform(500.0, 4000.0)
        steps = math.ceil(length * 4)
        for step in range(steps):
            along = length * (step + 0.5) / steps
            pixel = math.floor(x + along * math.cos(angle)), math.floor(y + along * math.sin(angle))
            if 0 <= pixel[0] < nx and 0 <= pixel[1] < ny:
                hit[pixel] = hit.get(pixel, 0.0) + charge_per_px * length / steps
    for (i, j), charge in hit.items():
        photons[j, i] += charge / max(float(flat[j, i]), 0.1)
    return np.array(list(hit), dtype=np.int32).reshape(-1, 2)
