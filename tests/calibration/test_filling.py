"""Undefined pixels filled for measuring."""

import numpy as np

from stackbench.calibration.filling import fill_undefined


def test_median_of_the_neighbours():
    rng = np.random.default_rng(40)
    image = rng.normal(100, 5, (50, 60)).astype(np.float32)
    before = image.copy()
    for y, x in ((10, 10), (0, 0), (49, 59), (20, 30)):
        image[y, x] = np.nan
    image[20, 31] = np.nan
    given = image.copy()
    filled = fill_undefined(image)
    np.testing.assert_array_equal(image, given)
    defined = ~np.isnan(image)
    np.testing.assert_array_equal(filled[defined], before[defined])
    around = np.delete(before[9:12, 9:12].ravel(), 4)
    assert filled[10, 10] == np.float32(np.median(around))
    corner = [before[0, 1], before[1, 0], before[1, 1]]
    assert filled[0, 0] == np.median(corner)
    pair = np.delete(before[19:22, 29:32].ravel(), [4, 5])
    assert filled[20, 30] == np.median(pair)


def test_wide_gaps_and_empty_images():
    image = np.full((60, 60), 3, np.float32)
    image[:, 0:30] = np.nan
    image[5, 40] = 1000
    filled = fill_undefined(image)
    assert (filled[:, :30] == 3).all()
    empty = np.full((4, 4), np.nan, np.float32)
    assert np.isnan(fill_undefined(empty)).all()
