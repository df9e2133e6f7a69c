"""The common crop against a search of every rectangle."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from stackbench.export.crop import common_crop


def _opened(poor: NDArray[np.bool_], side: int) -> NDArray[np.bool_]:
    """What squares of poor pixels cover, by trying every square."""
    ny, nx = poor.shape
    wide = np.pad(poor, side, constant_values=True)
    kept = np.zeros_like(wide)
    for y, x in itertools.product(range(ny + side + 1), range(nx + side + 1)):
        square = (slice(y, y + side), slice(x, x + side))
        if wide[square].all():
            kept[square] = True
    return kept[side:-side, side:-side]


def _largest_area(poor: NDArray[np.bool_]) -> int:
    """Try every pair of rows, and take the longest clear run of columns between them."""
    ny = len(poor)
    best = 0
    for top, bottom in itertools.combinations(range(ny + 1), 2):
        blocked = poor[top:bottom].any(axis=0).tolist()
        runs = [len(list(run)) for is_blocked, run in itertools.groupby(blocked) if not is_blocked]
        best = max(best, (bottom - top) * max(runs, default=0))
    return best


_COVERAGES = st.lists(
    hnp.arrays(np.uint16, (13, 17), elements=st.sampled_from([9, 9, 9, 9, 8, 4, 0])),
    min_size=1,
    max_size=3,
)


@settings(max_examples=40, deadline=None)
@given(coverages=_COVERAGES, edges=st.tuples(*[st.integers(0, 6)] * 4))
def test_it_is_as_large_as_any_rectangle_can_be(
    coverages: list[NDArray[np.uint16]], edges: tuple[int, int, int, int]
) -> None:
    top, bottom, left, right = edges
    first = coverages[0]
    first[:top], first[13 - bottom :], first[:, :left], first[:, 17 - right :] = 0, 1, 2, 3
    poor = np.zeros((13, 17), dtype=bool)
    for coverage in coverages:
        poor |= (coverage < 0.5 * coverage.max()) | (coverage == 0)
    poor = _opened(poor, 5)
    crop = common_crop(coverages)
    found = poor[crop.rows, crop.columns]
    largest = _largest_area(poor)
    if largest >= max(1, 0.01 * poor.size):
        assert crop.problem is None
        assert not found.any()
        assert found.size == largest
    else:
        assert crop.problem is not None
        assert found.shape == (13, 17)


def test_single_bad_pixels_and_columns_do_not_matter() -> None:
    rng = np.random.default_rng(3)
    coverage = np.full((300, 400), 16, dtype=np.uint8)
    coverage[rng.integers(0, 300, 500), rng.integers(0, 400, 500)] = 0
    coverage[:, 200:202] = 0
    coverage[120] = 3
    crop = common_crop([coverage])
    assert (crop.rows, crop.columns) == (slice(0, 300), slice(0, 400))


def test_dithered_and_turned_channels_are_cut_to_what_all_cover() -> None:
    red = np.zeros((200, 300), dtype=np.int32)
    red[10:190, 5:] = 20
    red[10:20, 5:] = 9  # under half of 20
    blue = np.zeros((200, 300), dtype=np.int32)
    blue[:185, :290] = 3
    blue[:185, 280:290] = 2  # over half of 3
    crop = common_crop([red, blue])
    assert crop.problem is None
    assert (crop.rows, crop.columns) == (slice(20, 185), slice(5, 290))


def test_a_thin_edge_is_an_edge_and_not_a_hole() -> None:
    coverage = np.full((100, 100), 4, dtype=np.uint8)
    coverage[:, :2] = 1
    coverage[-1] = 0
    crop = common_crop([coverage])
    assert (crop.rows, crop.columns) == (slice(0, 99), slice(2, 100))


@pytest.mark.parametrize("empty", [True, False])
def test_channels_with_nothing_in_common_keep_the_grid_and_say_so(empty: bool) -> None:
    left = np.zeros((50, 60), dtype=np.uint8)
    right = left.copy()
    if not empty:
        left[:, :28] = 5
        right[:, 32:] = 5
    crop = common_crop([left, right])
    assert (crop.rows, crop.columns) == (slice(0, 50), slice(0, 60))
    assert crop.problem is not None
    assert crop.problem.what
    assert crop.problem.why
    assert crop.problem.remedy


def test_channels_of_different_shapes_are_refused() -> None:
    with pytest.raises(ValueError, match="one grid"):
        common_crop([np.ones((3, 3), dtype=np.uint8), np.ones((3, 4), dtype=np.uint8)])
    with pytest.raises(ValueError, match="one grid"):
        common_crop([])


def test_the_counts_are_left_as_they_were() -> None:
    coverage = np.full((20, 20), 4, dtype=np.uint8)
    coverage.setflags(write=False)
    assert common_crop([coverage]).problem is None
