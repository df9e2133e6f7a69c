"""Scale and offset that make a sub like the reference."""

import numpy as np
import pytest

from stackbench.stacking.scaling import flux_ratio, scale_to_reference
from tests.support.subs import similarity


def test_the_ratio_withstands_stars_that_changed():
    rng = np.random.default_rng(1)
    reference = 10 ** rng.uniform(3, 5, 80)
    sub = 0.62 * reference * (1 + 0.01 * rng.standard_normal(80))
    sub[:12] *= rng.uniform(0.3, 3, 12)
    found = flux_ratio(reference, sub)
    assert found.ratio == pytest.approx(1 / 0.62, rel=0.005)
    assert 55 <= found.stars <= 75
    assert 0.5e-3 < found.error / found.ratio < 2.5e-3


def test_the_error_tells_the_scatter_of_the_ratio():
    rng = np.random.default_rng(2)
    pulls = []
    for _ in range(300):
        errors = rng.uniform(0.01, 0.05, 30)
        sub = 1e4 * (1 + errors * rng.standard_normal(30))
        found = flux_ratio(np.full(30, 1e4), sub, flux_error=errors)
        pulls.append((found.ratio - 1) / found.error)
    assert 0.8 < np.std(pulls) < 1.35


def test_unusable_stars_are_left_out():
    reference = np.array([100, 200, np.nan, 400, -5, 600, 700.0])
    sub = np.array([50, 100, 100, 200, 10, 0.0, 350])
    found = flux_ratio(reference, sub)
    assert (found.ratio, found.stars) == (pytest.approx(2), 4)


def test_too_few_stars_give_no_ratio():
    assert flux_ratio([10, 20], [5, 10]) is None


def test_scaled_sub_meets_the_level_of_the_reference():
    found = flux_ratio([1e4, 2e4, 3e4, 5e4], [8e3, 1.6e4, 2.4e4, 4e4])
    scaling = scale_to_reference(
        found.ratio, reference_sky_adu=900, sub_sky_adu=1300, matrix=np.eye(3)
    )
    assert scaling.scale == pytest.approx(1.25)
    assert scaling.scale * 1300 + scaling.offset == pytest.approx(900)


def test_brightness_makes_up_for_area():
    matrix = similarity(degrees=31, scale=1.01)
    scaling = scale_to_reference(1.0, reference_sky_adu=0, sub_sky_adu=0, matrix=matrix)
    assert scaling.scale == pytest.approx(1 / 1.01**2)
