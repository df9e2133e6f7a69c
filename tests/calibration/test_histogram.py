"""How often each value occurs."""

import numpy as np
import pytest

from stackbench.calibration.histogram import pixel_histogram


def test_counts_are_those_of_numpy_and_none_is_lost():
    rng = np.random.default_rng(5)
    image = rng.normal(500, 4, (300, 400)).astype(np.float32)
    image[5, 7:17] = 60000
    image[9, 3] = np.nan
    found = pixel_histogram(image, bins=100)
    assert found.above == 10
    assert found.below == 0
    assert sum(found.counts) + found.above == image.size - 1
    edges = np.linspace(found.low, found.high, 101)
    wanted, _ = np.histogram(image[np.isfinite(image)].astype(np.float64), bins=edges)
    # a value right at an edge may fall to either side
    assert np.abs(np.subtract(found.counts, wanted)).max() <= 1
    for share in (0.01, 0.5, 0.99):
        wanted = np.nanquantile(image.astype(np.float64), share)
        assert found.quantile(share) == pytest.approx(wanted, abs=(found.high - found.low) / 100)
    # normal quantiles: 0.995 lies 2.576 σ above the mean; the largest of 120,000 near 4.4 σ
    assert found.high == pytest.approx(500 + 6 * 2.576 * 4, abs=2)
    assert 500 - 5.5 * 4 < found.low < 500 - 4 * 4, "the least pixel"


def test_an_image_of_one_value_fills_one_bin():
    found = pixel_histogram(np.full((20, 30), 7, dtype=np.float32), bins=11)
    assert max(found.counts) == 600
    assert found.low < 7 < found.high
    assert pixel_histogram(np.full((20, 30), np.nan, dtype=np.float32)) is None


def test_means_of_whole_numbers_leave_no_gaps():
    rng = np.random.default_rng(6)
    image = (rng.binomial(60, 0.5, (200, 300)) / 6).astype(np.float32)
    found = pixel_histogram(image, bins=40, step=1 / 6)
    middle = found.counts[len(found.counts) // 2 - 4 : len(found.counts) // 2 + 4]
    wanted = np.bincount(np.rint(image.ravel() * 6).astype(int))
    assert min(middle) > 0
    assert sum(found.counts) + found.below + found.above == image.size
    assert max(found.counts) in wanted or len(found.counts) < np.count_nonzero(wanted)
