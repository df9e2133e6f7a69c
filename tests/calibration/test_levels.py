"""Levels of single frames."""

import numpy as np
import pytest

from stackbench.calibration.levels import frame_levels, level_error
from tests.support.calibration import ArrayRows


def test_levels_are_finer_than_whole_adu():
    rng = np.random.default_rng(1)
    true = [500.0, 500.3, 500.7]
    frames = [np.rint(level + rng.normal(0, 4, (300, 400))) for level in true]
    frames[0][5, 5] = 60000  # a cosmic ray
    found = frame_levels([ArrayRows(frame) for frame in frames])
    # σ/√N of 1.2 × 10⁵ pixels: 0.012 ADU
    assert found == pytest.approx(true, abs=0.05)


def test_error_of_a_mean():
    # σ/√N, ddof 1
    assert level_error([1.0, 2.0, 3.0, 4.0]) == pytest.approx(np.sqrt(5 / 3) / 2)
    assert level_error([1.0]) == level_error([]) == 0
