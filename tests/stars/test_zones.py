"""The stars' shapes across the field, by zones."""

import numpy as np
import pytest

from stackbench.stars.records import StarTable
from stackbench.stars.zones import zones_of

NY, NX = 300, 600


def table(*, x, y, fwhm, eccentricity, angle):
    x = np.asarray(x, dtype=np.float64)
    full = lambda value: np.broadcast_to(np.asarray(value, dtype=np.float64), x.shape).copy()  # noqa: E731
    return StarTable(
        x=x, y=full(y), flux=full(1), peak=full(1), snr=full(50),
        fwhm_px=full(fwhm), eccentricity=full(eccentricity), angle_deg=full(angle),
    )  # fmt: skip


@pytest.fixture
def tilted():
    """Stars that widen to the right and are elongated at 30°, the more the higher."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, NX, 900), rng.uniform(0, NY, 900)
    return table(x=x, y=y, fwhm=2 + 3 * x / NX, eccentricity=0.2 + 0.6 * y / NY, angle=30.0)


def test_each_zone_has_its_stars_median(tilted):
    zones = zones_of(tilted, shape=(NY, NX))
    assert zones.count.sum() == 900
    np.testing.assert_allclose(zones.fwhm_px.mean(axis=0), [2.5, 3.5, 4.5], atol=0.08)
    np.testing.assert_allclose(zones.eccentricity.mean(axis=1), [0.3, 0.5, 0.7], atol=0.02)
    np.testing.assert_allclose(zones.angle_deg, 30.0, atol=1e-6)


def test_directions_that_differ_cancel():
    rng = np.random.default_rng(5)
    count = 9000
    x, y = rng.uniform(0, NX, count), rng.uniform(0, NY, count)
    stars = table(x=x, y=y, fwhm=3, eccentricity=0.5, angle=rng.uniform(0, 180, count))
    # χ = 0.25/1.75 = 0.143; the median of 1000 scattered values lies within a
    # twentieth of that of 0, so e < √(2 · 0.143/10)
    assert (zones_of(stars, shape=(NY, NX)).eccentricity < 0.17).all()


def test_zones_follow_a_turn_of_the_field(tilted):
    turn = np.array([[0.0, -1.0, NY - 1], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])  # by +90°
    straight, turned = (
        zones_of(tilted, shape=(NY, NX)),
        zones_of(tilted, shape=(NY, NX), matrix=turn),
    )
    assert (turned.width, turned.height) == pytest.approx((NY, NX))
    np.testing.assert_allclose(turned.angle_deg, 120.0, atol=1e-6)
    np.testing.assert_allclose(turned.fwhm_px, np.rot90(straight.fwhm_px, -1))
    assert (turned.left, turned.bottom) == pytest.approx((-0.5, -0.5))


def test_too_few_stars_tell_nothing():
    zones = zones_of(
        table(x=[10, 20, 590], y=[10, 20, 290], fwhm=[3, np.nan, 3], eccentricity=0.1, angle=0),
        shape=(NY, NX),
    )
    assert zones.count.sum() == 2
    assert np.isnan(zones.fwhm_px).all()
    assert np.isnan(zones.angle_deg).all()
