"""Triangles and the numbers that no similarity changes."""

import astroalign
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from stackbench.registration import transforms
from stackbench.registration.asterisms import all_triples, asterisms, band_triples, near_triples
from tests.support.fields import placed_matrix

TRIANGLE = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0]])
ONE = np.array([[0, 1, 2]])


def test_shape_of_the_345_triangle():
    # Valdes et al. 1995, PASP 107, 1119: (b/a, c/a), from memory; 3-4-5 gives (0.8, 0.6).
    found = asterisms(TRIANGLE, ONE)
    assert_allclose(found.shapes, [[0.8, 0.6]], atol=1e-12)
    assert found.base_px[0] == pytest.approx(500)
    # Groth 1986, AJ 91, 1244: ratio of longest to shortest side and the cosine
    # between them, from memory; 3-4-5 gives 5/3 and 0.6.
    b, c = found.shapes[0]
    assert 1 / c == pytest.approx(5 / 3)
    assert (1 + c**2 - b**2) / (2 * c) == pytest.approx(0.6)


@given(st.floats(0.5, 2), st.floats(-180, 180), st.booleans(), st.permutations([0, 1, 2]))
def test_shape_and_star_order_survive_any_similarity(scale, rotation, mirrored, order):
    # Beroiz, Cabral & Sanchez 2020, Astron. Comput. 32, 100384: (L3/L2, L2/L1)
    # of the 3-4-5 triangle is (1.25, 4/3) under any similarity.
    matrix = placed_matrix(
        scale=scale, rotation_deg=rotation, mirrored=mirrored, target=(1000, 2000)
    )
    before = asterisms(TRIANGLE, ONE)
    after = asterisms(transforms.apply(matrix, TRIANGLE)[order], ONE)
    assert_allclose(after.shapes, before.shapes, atol=1e-12)
    b, c = after.shapes[0]
    assert (1 / b, b / c) == pytest.approx((1.25, 4 / 3), abs=1e-12)
    # Corner for corner: star i of one is star i of the other.
    assert np.array(order)[after.stars[0]].tolist() == before.stars[0].tolist()
    assert after.mirror[0] == before.mirror[0] * (-1 if mirrored else 1)


def test_invariants_agree_with_astroalign():
    # astroalign 2.6 (Beroiz et al. 2020): separate code, other ratios of the same sides.
    rng = np.random.default_rng(1)
    stars = rng.uniform(0, 1000, (20, 2))
    found = asterisms(stars, all_triples(0, 20))
    assert len(found.base_px) > 900
    for corners, (b, c) in zip(found.stars, found.shapes, strict=True):
        expected = astroalign._invariantfeatures(*stars[corners])
        assert_allclose([1 / b, b / c], expected, rtol=1e-9)


def test_small_and_thin_triangles_are_left_out():
    small = TRIANGLE / 50
    thin = np.array([[0.0, 0.0], [400.0, 0.0], [399.0, 5.0]])
    assert len(asterisms(small, ONE).base_px) == 0
    assert len(asterisms(thin, ONE).base_px) == 0
    assert len(asterisms(TRIANGLE, np.empty((0, 3), dtype=np.intp)).base_px) == 0


def test_all_triples_counts_and_is_kept_read_only():
    assert len(all_triples(0, 24)) == 24 * 23 * 22 // 6
    assert all_triples(3, 6).tolist() == [[3, 4, 5]]
    assert len(all_triples(0, 2)) == 0
    with pytest.raises(ValueError, match="read-only"):
        all_triples(0, 24)[0, 0] = 1


def test_near_triples_join_neighbours_once():
    line = np.array([[0.0, 0], [10, 1], [25, 0], [1000, 0], [1010, 5], [1030, 0]])
    assert near_triples(line, 2).tolist() == [[0, 1, 2], [3, 4, 5]]
    assert len(near_triples(line[:2], 5)) == 0
    everyone = near_triples(line, 5)
    assert len(everyone) == 6 * 5 * 4 // 6


@pytest.mark.parametrize(("last", "width"), [(9, 4), (5, 20), (3, 3), (2, 3)])
def test_band_triples_are_all_those_of_consecutive_stars(last, width):
    wanted = [
        (first, second, third)
        for first in range(last)
        for second in range(first + 1, last)
        for third in range(second + 1, last)
        if third - first < width
    ]
    assert sorted(map(tuple, band_triples(last, width).tolist())) == wanted
