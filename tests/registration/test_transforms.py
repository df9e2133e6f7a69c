"""Fitting, applying, inverting and taking apart plane transforms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from stackbench.registration import transforms
from tests.support.fields import placed_matrix

ANGLE = st.floats(-179, 179)
SCALE = st.floats(0.5, 2)
SHIFT = st.floats(-5000, 5000)


def _points(count=30, seed=1):
    return np.random.default_rng(seed).uniform(0, 4000, (count, 2))


def test_similarity_maps_points_as_defined():
    # p' = s R(θ) p + t, mathematical fact: s = 1.01, θ = 30°, t = (12.5, −7.25).
    matrix = placed_matrix(scale=1.01, rotation_deg=30, target=(12.5, -7.25))
    mapped = transforms.apply(matrix, [(0, 0), (1000, 0), (1000, 800)])
    expected = [(12.5, -7.25), (887.185658, 497.75), (483.185658, 1197.498526)]
    assert_allclose(mapped, expected, atol=1e-6)
    assert_allclose(
        transforms.similarity([(0, 0), (1000, 0), (1000, 800)], expected), matrix, atol=1e-6
    )
    assert_allclose(
        transforms.affine([(0, 0), (1000, 0), (1000, 800)], expected), matrix, atol=1e-6
    )


def test_meridian_flip_is_a_half_turn_and_no_mirror():
    # Mathematical fact; 1000 × 800 px, 1-based x' = N + 1 − x, y' = M + 1 − y:
    # (100, 200) → (901, 601), here 0-based.
    flip = placed_matrix(rotation_deg=180, target=(999, 799))
    assert_allclose(transforms.apply(flip, [(99, 199)]), [(900, 600)], atol=1e-9)
    parts = transforms.decompose(flip)
    assert not parts.mirrored
    assert abs(parts.rotation_deg) == pytest.approx(180)
    mirror = np.array([[-1.0, 0, 999], [0, 1, 0], [0, 0, 1]])
    assert transforms.decompose(mirror).mirrored


@given(SCALE, ANGLE, st.booleans(), SHIFT, SHIFT)
def test_fits_recover_and_decompose_any_similarity(scale, rotation, mirrored, dx, dy):
    truth = placed_matrix(scale=scale, rotation_deg=rotation, mirrored=mirrored, target=(dx, dy))
    points = _points()
    targets = transforms.apply(truth, points)
    assert_allclose(transforms.similarity(points, targets), truth, atol=1e-8)
    assert_allclose(transforms.similarity(points, targets, mirrored=mirrored), truth, atol=1e-8)
    assert_allclose(transforms.affine(points, targets), truth, atol=1e-8)
    parts = transforms.decompose(truth)
    assert parts.scale == pytest.approx(scale)
    assert parts.rotation_deg == pytest.approx(rotation, abs=1e-9)
    assert parts.mirrored == mirrored
    assert parts.stretch == pytest.approx(1)
    assert parts.shift == pytest.approx((dx, dy))


@given(SCALE, ANGLE, st.booleans(), SHIFT, st.floats(-0.1, 0.1))
def test_inverse_undoes(scale, rotation, mirrored, shift, skew):
    truth = placed_matrix(
        scale=scale, rotation_deg=rotation, mirrored=mirrored, target=(shift, -shift), skew=skew
    )
    back = transforms.invert(truth)
    assert_allclose(back @ truth, np.eye(3), atol=1e-9)
    assert_allclose(back[2], [0, 0, 1], atol=0)
    assert_allclose(back, np.linalg.inv(truth), rtol=1e-9, atol=1e-9)


def test_affine_agrees_with_weighted_numpy_lstsq():
    rng = np.random.default_rng(3)
    points = _points()
    truth = placed_matrix(scale=1.3, rotation_deg=70, skew=0.05, target=(40, 50))
    targets = transforms.apply(truth, points) + rng.normal(0, 1, points.shape)
    weights = rng.uniform(0.1, 3, len(points))
    root = np.sqrt(weights)[:, None]
    design = np.column_stack([points, np.ones(len(points))])
    expected = np.linalg.lstsq(design * root, targets * root, rcond=None)[0].T
    assert_allclose(transforms.affine(points, targets, weights=weights)[:2], expected, rtol=1e-8)


def test_similarity_agrees_with_weighted_numpy_lstsq():
    rng = np.random.default_rng(4)
    points = _points()
    truth = placed_matrix(scale=0.8, rotation_deg=-120, target=(400, 50))
    targets = transforms.apply(truth, points) + rng.normal(0, 1, points.shape)
    weights = rng.uniform(0.1, 3, len(points))
    x, y = points.T
    one, zero = np.ones(len(x)), np.zeros(len(x))
    design = np.vstack([np.column_stack([x, -y, one, zero]), np.column_stack([y, x, zero, one])])
    root = np.sqrt(np.tile(weights, 2))
    a, b, dx, dy = np.linalg.lstsq(design * root[:, None], targets.T.ravel() * root, rcond=None)[0]
    expected = [[a, -b, dx], [b, a, dy], [0, 0, 1]]
    assert_allclose(transforms.similarity(points, targets, weights=weights), expected, rtol=1e-8)


def test_shift_from_many_stars_is_better_than_one_star():
    # σ/√n, mathematical fact: 0.05 px over 100 stars gives 0.005 px.
    rng = np.random.default_rng(5)
    points = _points(100) - _points(100).mean(axis=0)
    errors = [
        transforms.similarity(points, points + rng.normal(0, 0.05, points.shape))[:2, 2]
        for _ in range(400)
    ]
    assert np.std(errors) == pytest.approx(0.005, rel=0.1)


def test_nan_stays_nan():
    assert np.isnan(transforms.apply(np.eye(3), [(np.nan, 1.0)])[0, 0])


def test_impossible_fits_are_refused():
    line = [(0, 0), (1, 1), (2, 2), (3, 3)]
    with pytest.raises(ValueError, match="one line"):
        transforms.affine(line, line)
    with pytest.raises(ValueError, match="coincide"):
        transforms.similarity([(1, 1)] * 3, line[:3])
    with pytest.raises(ValueError, match="too few"):
        transforms.similarity(line[:2], line[:2])
    with pytest.raises(ValueError, match="too few"):
        transforms.affine(line[:2], line[:2])
    with pytest.raises(ValueError, match="pairs must be"):
        transforms.affine(line, line[:3])
    with pytest.raises(ValueError, match="weights"):
        transforms.similarity(line, line, weights=[1, 1, 1, -1])
    with pytest.raises(ValueError, match="no inverse"):
        transforms.invert(np.diag([1.0, 0.0, 1.0]))
