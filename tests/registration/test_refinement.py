"""Pairing stars with the nearest of the reference."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from stackbench.registration.refinement import nearest_pairs


def _plain_pairs(placed, reference, radius):
    """Let each reference star keep the nearest of those that find it."""
    kept = {}
    for ours, place in enumerate(placed):
        away = np.hypot(*(reference - place).T)
        theirs = int(np.argmin(away))
        if away[theirs] <= radius and away[theirs] < kept.get(theirs, (np.inf, -1))[0]:
            kept[theirs] = (away[theirs], ours)
    return sorted([ours, theirs] for theirs, (_, ours) in kept.items())


@pytest.mark.parametrize("radius", [0.5, 4.0, 60.0])
def test_pairs_are_one_to_one_and_the_nearest(radius):
    rng = np.random.default_rng(31)
    reference = rng.uniform(0, 100, (60, 2))
    placed = np.vstack([reference[::2] + rng.normal(0, 1, (30, 2)), rng.uniform(0, 100, (40, 2))])
    found = nearest_pairs(placed, cKDTree(reference), radius_px=radius)
    assert found.tolist() == _plain_pairs(placed, reference, radius)
    assert len(found) >= 5


def test_of_two_stars_as_near_the_brighter_is_paired():
    reference = cKDTree([[0.0, 0.0], [50.0, 0.0]])
    found = nearest_pairs(np.array([[1.0, 0], [-1.0, 0], [0.0, 1]]), reference, radius_px=2)
    assert found.tolist() == [[0, 0]]


def test_stars_that_find_none_are_left_out():
    found = nearest_pairs(np.full((3, 2), 500.0), cKDTree([[0.0, 0.0]]), radius_px=2)
    assert found.shape == (0, 2)
