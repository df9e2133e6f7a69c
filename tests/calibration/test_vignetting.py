"""The light that the corners of a flat lack."""

import numpy as np
import pytest

from stackbench.calibration.vignetting import vignetting


def test_cosine_to_the_fourth_falls_off_as_it_must():
    # Illumination goes as cos⁴ of the field angle: Reiss 1945, J. Opt. Soc. Am.
    # 35, 283 (from memory). At the corners tan θ = 0.5, so cos⁴ θ = 0.64.
    y, x = np.mgrid[-1:1:1000j, -1:1:1000j]
    tangent2 = (x**2 + y**2) / 2 * 0.25
    flat = ((1 + tangent2) ** -2).astype(np.float32)
    flat += np.random.default_rng(1).normal(0, 0.01, flat.shape).astype(np.float32)
    # tiles lie a little inside: their centres at 0.936 of the half side
    inside = 1 - (1 + 0.25 * (1 - 32.5 / 500) ** 2) ** -2
    assert vignetting(flat) == pytest.approx(inside, abs=0.01)
    flat[100:140, :] = np.nan
    flat[500, 500] = 90
    assert vignetting(flat) == pytest.approx(inside, abs=0.01)


def test_nothing_can_be_told_of_an_empty_flat():
    assert vignetting(np.full((80, 90), np.nan, dtype=np.float32)) is None
    assert vignetting(np.zeros((80, 90), dtype=np.float32)) is None
    assert vignetting(np.ones((30, 20), dtype=np.float32)) == 0
