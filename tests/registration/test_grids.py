"""The target's grid and how much of it a sub covers."""

import numpy as np
import pytest

from stackbench.registration.grids import Grid, footprint, overlap
from tests.support.fields import placed_matrix

GRID = Grid(shape=(80, 100))


def test_footprint_takes_whole_pixels():
    corners = footprint(np.eye(3), (80, 100))
    assert corners.tolist() == [[-0.5, -0.5], [99.5, -0.5], [99.5, 79.5], [-0.5, 79.5]]


@pytest.mark.parametrize(
    ("matrix", "expected"),
    [
        (np.eye(3), 1.0),
        (placed_matrix(target=(25, 0)), 0.75),
        (placed_matrix(target=(-50, 40)), 0.25),
        (placed_matrix(rotation_deg=180, target=(99, 79)), 1.0),
        (placed_matrix(scale=0.5, centre=(49.5, 39.5), target=(49.5, 39.5)), 0.25),
        (placed_matrix(scale=3, centre=(49.5, 39.5), target=(49.5, 39.5)), 1.0),
        # A quarter turn about the middle covers the common 80 × 80 square.
        (placed_matrix(rotation_deg=90, centre=(49.5, 39.5), target=(49.5, 39.5)), 0.8),
        (placed_matrix(target=(300, 0)), 0.0),
    ],
)
def test_overlap_of_known_places(matrix, expected):
    assert overlap(matrix, (80, 100), grid=GRID) == pytest.approx(expected, abs=1e-12)


def test_overlap_agrees_with_counting_points():
    rng = np.random.default_rng(2)
    matrix = placed_matrix(scale=1.2, rotation_deg=33, mirrored=True, target=(10, 70))
    points = rng.uniform(-0.5, [99.5, 79.5], (200_000, 2))
    x, y = (np.column_stack([points, np.ones(len(points))]) @ np.linalg.inv(matrix).T)[:, :2].T
    counted = np.mean((np.abs(x - 49.5) <= 50) & (np.abs(y - 39.5) <= 40))
    assert overlap(matrix, (80, 100), grid=GRID) == pytest.approx(counted, abs=0.005)


def test_a_grid_needs_pixels():
    with pytest.raises(ValueError, match="needs pixels"):
        Grid(shape=(0, 5))
