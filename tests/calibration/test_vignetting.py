"""The light that the corners of a flat lack, and how its pixels differ."""

import numpy as np
import pytest

from stackbench.calibration.vignetting import pixel_response, vignetting


def test_cosine_to_the_fourth_falls_off_as_it_must():
    # Illumination goes as cos⁴ of the field angle: Reiss 1945, J. Opt. Soc. Am.
    # 35, 283 (from memory). At the corners tan θ = 0.5, so cos⁴ θ = 0.64.
    y, x = np.mgrid[-1:1:1000j, -1:1:1000j]
    tangent2 = (x**2 + y**2) / 2 * 0.25
    flat = ((1 + tangent2) ** -2).astype(np.float32)
    flat += np.random.default_rng(1).normal(0, 0.01, flat.shape).astype(np.float32)
    # tiles lie a little inside: their centres at 0.936 of the half side
    inside = 1 - (1 + 0.25 * (1 - 32.5 / 500) ** 2) ** -2
    assert vignetting(flat).corners == pytest.approx(inside, abs=0.01)
    flat[100:140, :] = np.nan
    flat[500, 500] = 90
    assert vignetting(flat).corners == pytest.approx(inside, abs=0.01)


def test_nothing_can_be_told_of_an_empty_flat():
    assert vignetting(np.full((80, 90), np.nan, dtype=np.float32)) is None
    assert vignetting(np.zeros((80, 90), dtype=np.float32)) is None
    assert vignetting(np.ones((30, 20), dtype=np.float32)).corners == 0


def test_dust_is_no_vignetting():
    y, x = np.mgrid[-1:1:960j, -1:1:1280j]
    clean = (1 - 0.15 * (x**2 + y**2)).astype(np.float32)
    dusty = clean.copy()
    dusty[:70, :70] *= 0.8  # a mote's shadow in a corner, another one at an edge
    dusty[440:520, :90] *= 0.85
    assert vignetting(clean).corners == pytest.approx(0.3 * 0.95**2, abs=0.012)
    assert vignetting(dusty).corners == pytest.approx(vignetting(clean).corners, abs=0.003)
    assert vignetting(dusty).edges == pytest.approx(vignetting(clean).edges, abs=0.003)


@pytest.mark.parametrize("rms", [0.008, 0.002])
def test_response_of_pixels_is_told_from_photon_noise(rms):
    # 20000 e⁻: photon noise of 0.7 %, as large as the response or larger
    rng = np.random.default_rng(3)
    shape = (300, 400)
    y, x = np.indices(shape)
    response = rng.normal(1, rms, shape) * (1 - 0.3 * ((x - 200) ** 2 + (y - 150) ** 2) / 62500)
    response[rng.integers(0, 300, 40), rng.integers(0, 400, 40)] = 0.1  # dead pixels
    flats = [
        np.rint(500 + rng.poisson(response * level)).astype(np.float32) for level in (20000, 15000)
    ]
    found = pixel_response(*flats, level_adu=500)
    assert found.rms == pytest.approx(rms, rel=0.05)
    assert abs(found.rms - rms) < 4 * found.error
    assert pixel_response(flats[0], flats[1], level_adu=60000) is None
