"""Windowed moments against formulae and against sep."""

import numpy as np
import pytest
import sep

from stackbench.stars.moments import windowed_moments


def _gaussian(sx: float, sy: float, angle_deg: float = 0.0, size: int = 121) -> np.ndarray:
    """A point-sampled Gaussian centred at (50.3, 49.6)."""
    y, x = np.indices((size, size), dtype=float)
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    u, v = (x - 50.3) * c + (y - 49.6) * s, (y - 49.6) * c - (x - 50.3) * s
    return (1e4 * np.exp(-0.5 * ((u / sx) ** 2 + (v / sy) ** 2))).astype(np.float32)


def _measure(image: np.ndarray, window: float, ring: float):
    one = np.array([1.0])
    return windowed_moments(image, 50 * one, 50 * one, one, window_px=window, ring_px=ring)


def test_window_and_star_of_equal_width():
    # Under a window of w = σ the moment is σ²/2 (product of two Gaussians), and
    # the iterated windowed centroid is unbiased; sep.winpos does the same.
    image = _gaussian(2.0, 2.0)
    moments = _measure(image, 2.0, 14.0)
    x, y, _ = sep.winpos(image, 50.0, 50.0, 2.0)
    assert (x, y) == (pytest.approx(50.3, abs=1e-5), pytest.approx(49.6, abs=1e-5))
    assert moments.x[0] == pytest.approx(50.3, abs=2e-3)
    assert moments.y[0] == pytest.approx(49.6, abs=2e-3)
    assert np.sqrt(moments.xx[0]) == pytest.approx(1.414214, abs=0.02)
    assert np.sqrt(moments.yy[0]) == pytest.approx(1.414214, abs=0.02)


def test_tensor_of_a_turned_ellipse():
    # a = 3, b = 2, θ = 30° ⇔ xx = 7.75, yy = 5.25, xy = 2.165064 (tensor
    # rotation, derivable); a wide window keeps M⁻¹ = Σ⁻¹ + 1/w².
    moments = _measure(_gaussian(3.0, 2.0, 30.0), 9.0, 28.0)
    seen = np.array([[moments.xx[0], moments.xy[0]], [moments.xy[0], moments.yy[0]]])
    freed = np.linalg.inv(np.linalg.inv(seen) - np.eye(2) / 9.0**2)
    np.testing.assert_allclose(freed, [[7.75, 2.165064], [2.165064, 5.25]], rtol=0.01)
    major, minor = moments.axes()
    assert major[0] == pytest.approx(1 / (1 / 9 + 1 / 81), rel=0.01)
    assert minor[0] == pytest.approx(1 / (1 / 4 + 1 / 81), rel=0.01)


def test_undefined_pixels_are_mirrored():
    image = _gaussian(2.0, 2.0)
    image[48:50, 53] = np.nan
    moments = _measure(image, 3.0, 14.0)
    assert moments.x[0] == pytest.approx(50.3, abs=0.15)
    assert np.isfinite(moments.xx[0])


def test_edge_and_hollow_places_are_nan():
    one = np.array([1.0])
    flat = np.zeros((60, 60), np.float32)
    at_edge = windowed_moments(flat, 2 * one, 30 * one, one, window_px=2.0, ring_px=8.0)
    hollow = windowed_moments(-_gaussian(2, 2), 50 * one, 50 * one, one, window_px=2, ring_px=8)
    assert np.isnan(at_edge.snr[0])
    assert np.isnan(hollow.snr[0])


def test_snr_is_that_of_the_weighted_sum():
    # Noise of Σ w·d is noise·√(Σ w²) = noise·w·√π for a Gaussian window.
    rng = np.random.default_rng(8)
    noise = 5.0
    sums = []
    for _ in range(300):
        image = (_gaussian(2, 2, size=101) * 0.02 + rng.normal(0, noise, (101, 101))).astype("f4")
        one = np.array([1.0])
        found = windowed_moments(
            image, 50.3 * one, 49.6 * one, noise * one, window_px=2, ring_px=14
        )
        sums.append(found.snr[0])
    assert np.std(sums) == pytest.approx(1.0, rel=0.15)
