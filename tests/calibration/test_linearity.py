"""Proportion of signal and exposure."""

import numpy as np
import pytest

from stackbench.calibration.linearity import linearity

EXPOSURES = np.array([1.0, 1.0, 2.0, 4.0, 8.0, 8.0])


def test_a_linear_camera_shows_no_deviation():
    found = linearity(EXPOSURES, 3000 * EXPOSURES)
    assert found.rate_adu_s == pytest.approx(3000)
    assert found.largest_deviation == pytest.approx(0, abs=1e-12)
    assert found.points == 6


def test_a_bent_answer_is_measured():
    # signal = a t (1 − 0.04 t/8): against its own best line the ends are off by
    # what is left of 4 % after the slope took its part
    signal = 3000 * EXPOSURES * (1 - 0.04 * EXPOSURES / 8)
    found = linearity(EXPOSURES, signal)
    relative = 1 - 0.04 * EXPOSURES / 8
    best = (1 / relative).sum() / (1 / relative**2).sum()
    expected = np.abs(relative / best - 1)
    assert found.largest_deviation == pytest.approx(expected.max(), rel=1e-9)
    assert found.mean_deviation == pytest.approx(expected.mean(), rel=1e-9)
    assert 0.01 < found.largest_deviation < 0.04


def test_light_that_was_not_steady_says_nothing():
    assert linearity([1, 2, 4], [20000, 20500, 19800]) is None  # twilight
    assert linearity([1, 1, 2, 4], [3000, 3100, 6000, 12000]) is None  # flicker
    assert linearity([1, 1, 2, 2], [3000, 3000, 6000, 6000]) is None  # two exposures only
    assert linearity([], []) is None
