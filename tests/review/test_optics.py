"""Tilt, curvature and elongation put over the field, and found again."""

from dataclasses import replace

import numpy as np
import pytest

from stackbench.review.fieldpattern import field_pattern
from stackbench.review.optics import optics_findings
from tests.support.observed import Faults, observed_night, stripped


@pytest.mark.parametrize("seed", range(4))
def test_a_tilt_is_recovered_with_its_direction(seed):
    night = observed_night(np.random.default_rng(seed), Faults(tilt=0.25))
    (found,) = optics_findings(night)
    assert found.cause == "tilt"
    assert found.figures[0].value == pytest.approx(0.25, abs=0.03)
    # widest to the right, in every sub whatever its side of the meridian
    assert min(found.figures[1].value, 360 - found.figures[1].value) < 10
    assert "right" in found.title


def test_curvature_is_recovered():
    night = observed_night(np.random.default_rng(5), Faults(curvature=0.3))
    (found,) = optics_findings(night)
    assert found.cause == "field curvature"
    # the simulated width grows by c·2(u² + v²), that is c in the corners
    assert found.figures[0].value == pytest.approx(0.3, abs=0.05)


def drawn_out(table, shape, size, *, outward):
    """Draw stars out towards or around the middle, more the further out."""
    ny, nx = shape
    dx, dy = table.x - (nx - 1) / 2, table.y - (ny - 1) / 2
    rho = np.hypot(dx, dy) / np.hypot(nx / 2, ny / 2)
    ellipticity = np.clip(size * rho, 0.01, 0.9)
    angle = np.degrees(np.arctan2(dy, dx)) + (0 if outward else 90)
    return replace(
        table,
        eccentricity=np.sqrt(2 * ellipticity / (1 + ellipticity)),
        angle_deg=angle % 180,
    )


@pytest.mark.parametrize(("outward", "words"), [(True, "towards"), (False, "around")])
def test_elongation_towards_or_around_the_middle(outward, words):
    night = [
        replace(one, stars=drawn_out(one.stars, one.shape, 0.3, outward=outward))
        for one in observed_night(np.random.default_rng(6), hours=2.0)
    ]
    (found,) = optics_findings(night)
    assert found.cause == "coma or astigmatism"
    assert f"{words} the middle" in found.title
    assert found.figures[0].value == pytest.approx(0.3 if outward else -0.3, abs=0.03)


@pytest.mark.parametrize("seed", range(40))
def test_a_flat_field_says_nothing(seed):
    rng = np.random.default_rng(5000 + seed)
    night = observed_night(rng, hours=float(rng.uniform(1, 8)))
    assert optics_findings(night) == []
    assert optics_findings(stripped(night)) == []


def test_a_sub_with_few_stars_has_no_pattern():
    (one, *_) = observed_night(np.random.default_rng(7), stars=20, hours=1.0)
    assert field_pattern(one) is None


def test_optics_out_of_collimation_are_sharpest_off_the_middle():
    def blurred(one):
        ny, nx = one.shape
        u, v = one.stars.x / nx - 0.5 - 0.2, one.stars.y / ny - 0.5 + 0.1
        width = one.stars.fwhm_px * (1 + 0.8 * ((u * nx) ** 2 + (v * ny) ** 2) / (nx / 2) ** 2)
        return replace(one, stars=replace(one.stars, fwhm_px=width))

    night = [blurred(one) for one in observed_night(np.random.default_rng(8), hours=3.0)]
    (found,) = optics_findings(night)
    assert found.cause == "sharpest off the middle"
    assert found.confidence == "possible"
    assert found.figures[0].value == pytest.approx(0.2, abs=0.02)
    assert found.figures[1].value == pytest.approx(-0.1, abs=0.02)
    assert "bottom right" in found.title
