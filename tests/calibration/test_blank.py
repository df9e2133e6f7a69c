"""Frames with one value, or none."""

import numpy as np
import pytest

from stackbench.calibration.blank import single_value
from tests.support.calibration import ArrayRows


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (4, 5), (600, 7)])
def test_one_value_or_none(shape):
    assert single_value(ArrayRows(np.full(shape, 65535, np.uint16))) == 65535
    assert np.isnan(single_value(ArrayRows(np.full(shape, np.nan))))
    gaps = np.full(shape, 7.0)
    gaps[0, 0] = np.inf
    gaps[-1:, 1:] = np.nan
    found = single_value(ArrayRows(gaps))
    assert np.isnan(found) if shape == (1, 1) else found == 7


@pytest.mark.parametrize("row", [0, 3, 4, 300, 599])
def test_a_single_pixel_that_differs_is_found(row):
    image = np.full((600, 7), 100.0)
    image[row, 3] = 101
    assert single_value(ArrayRows(image)) is None


def test_a_frame_with_noise_is_told_by_its_first_rows():
    class Counted(ArrayRows):
        read = 0

        def rows(self, start, stop):
            self.read += stop - start
            return super().rows(start, stop)

    source = Counted(np.random.default_rng(1).normal(100, 3, (500, 40)))
    assert single_value(source) is None
    assert source.read < 10


def test_two_halves_of_one_value_each():
    image = np.zeros((600, 7))
    image[300:] = 1
    assert single_value(ArrayRows(image)) is None
