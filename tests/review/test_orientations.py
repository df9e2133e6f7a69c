"""Orientations of the camera."""

import math
from pathlib import Path

import numpy as np
import pytest

from stackbench.review.measures import SubMeasures
from stackbench.review.observations import Observation
from stackbench.review.orientations import orientations_of


def _turned(angle_deg):
    a = math.radians(angle_deg)
    matrix = np.eye(3)
    matrix[:2, :2] = [[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]]
    return Observation(
        path=Path("sub.fits"),
        target=None,
        filter=None,
        time=None,
        exposure_s=None,
        kept=True,
        measures=SubMeasures(),
        shape=(100, 100),
        to_grid=matrix,
    )


@pytest.mark.parametrize("first_deg", [0.0, 90.0, -90.0, 179.99, 45.0])
def test_flips_and_turns_by_hand_are_told_apart_from_slow_rotation(first_deg):
    away = [0.0, 0.02, 180.3, 180.25, 90.0, 0.05]
    found = orientations_of([_turned(first_deg + angle) for angle in away])
    assert [number for number, _ in found] == [0, 0, 1, 1, 2, 0]
    np.testing.assert_allclose(
        [math.degrees(turn) for _, turn in found], [0, 0.02, 0, -0.05, 0, 0.05], atol=1e-9
    )
