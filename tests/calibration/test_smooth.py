"""Tiles of an image and the surface through them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stackbench.calibration.smooth import polynomial_terms, robust_fit, tile_medians, tile_places


@given(
    arrays(np.float32, (9, 18), elements=st.floats(-100, 100, width=32)),
    arrays(np.bool_, (9, 18)),
)
def test_a_tile_has_the_median_of_its_defined_pixels(image, missing):
    # a frame smaller than a tile is one tile, of which these samples are all columns twice apart
    image[missing] = np.nan
    x = ((np.arange(9) + 0.5) * 18 / 9).astype(int)
    samples = image[:, x]
    found = tile_medians(image)
    assert found.shape == (1, 1)
    if np.isfinite(samples).any():
        assert found[0, 0] == pytest.approx(np.nanmedian(samples.astype(float)), abs=1e-5)
    else:
        assert np.isnan(found[0, 0])


def test_tiles_lie_where_their_places_say():
    y, x = np.mgrid[0:640, 0:960]
    tiles = tile_medians((x + 1000 * y).astype(np.float32))
    across, down = tile_places(tiles.shape)
    assert tiles.shape == (10, 15)
    expected = (across + 1) / 2 * 960 + 1000 * (down + 1) / 2 * 640
    # the median of a slope is its middle, to the half step between samples
    np.testing.assert_allclose(tiles, expected, atol=1000)


def test_a_surface_does_not_follow_what_stands_out():
    rng = np.random.default_rng(1)
    shape = (20, 30)
    terms = polynomial_terms(shape, 2)
    true = np.array([5.0, 1.0, -2.0, 0.5, 0.3, -0.7])
    values = terms @ true + rng.normal(0, 0.01, 600)
    values[rng.integers(0, 600, 60)] += 3
    values[10] = np.nan
    fit, kept, scatter = robust_fit(terms, values)
    np.testing.assert_allclose(fit, true, atol=0.01)
    assert scatter == pytest.approx(0.01, rel=0.2)
    assert not kept[10]
    nothing, _, _ = robust_fit(terms, np.full(600, np.nan))
    assert np.isnan(nothing).all()
