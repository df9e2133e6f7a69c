"""Polar error: worked examples, and nights with an axis that is off."""

import math
from dataclasses import replace

import numpy as np
import pytest

from stackbench.review.alignment import (
    ARCMIN,
    ARCSEC,
    SIDEREAL_RAD_S,
    alignment_findings,
    declination_drift,
    largest_polar_error_arcmin,
    polar_error,
)
from tests.support.observed import Faults, field_rotation, observed_night, stripped


def test_the_sky_turns_at_the_sidereal_rate():
    # 360 · 3600″ in the IAU's mean sidereal day of 86164.0905 s: derived
    rate = SIDEREAL_RAD_S / ARCSEC
    assert rate == pytest.approx(15.041069, abs=1e-6)
    assert rate * math.cos(math.radians(60)) == pytest.approx(7.520534, abs=1e-6)
    assert rate / 1.463313 == pytest.approx(10.2788, abs=1e-4)  # px/s on the equator


def test_declination_drifts_by_a_quarter_of_an_arcsecond_a_minute_per_arcminute():
    # "15.7″ per minute and degree": hiddenloft.com/ME/drift.txt; 0.262516 derived
    per_minute = declination_drift(polar_error=60.0, hours=1 / 60, from_polar_hour=math.pi / 2)
    assert per_minute == pytest.approx(0.262516, abs=1e-6)
    # 5′ for 10 minutes: 13.126″ (exact by vectors 13.122″; canburytech.net/DriftAlign)
    drift = declination_drift(polar_error=300.0, hours=1 / 6, from_polar_hour=math.pi / 2)
    assert drift == pytest.approx(13.126, rel=1e-3)


def test_the_field_turns_by_26_arcseconds_in_ten_minutes():
    # ε = 5′, δ = 60°, at H = H_p: 26.25″, exact by vectors 26.31″ (derived)
    step = math.radians(10 / 60 * 15.041069)
    turn = field_rotation(
        polar_error=300.0, hour_angle=step, polar_hour=0.0, declination=math.radians(60)
    )
    assert turn == pytest.approx(26.25, rel=3e-3)
    assert math.radians(turn / 3600) * 3000 == pytest.approx(0.382, abs=1e-3)


def test_the_rotation_agrees_with_turning_the_axes_by_vectors():
    epsilon, polar_hour, dec = 5 * ARCMIN, 0.4, math.radians(60)
    axis = np.array(
        [
            math.sin(epsilon) * math.cos(polar_hour),
            -math.sin(epsilon) * math.sin(polar_hour),
            math.cos(epsilon),
        ]
    )

    def north_angle(hour_angle):
        star = np.array(
            [
                math.cos(dec) * math.cos(hour_angle),
                -math.cos(dec) * math.sin(hour_angle),
                math.sin(dec),
            ]
        )
        to = [pole - (pole @ star) * star for pole in (np.array([0.0, 0.0, 1.0]), axis)]
        return math.atan2(np.cross(to[0], to[1]) @ star, to[0] @ to[1])

    angles = (0.1, 0.5, 1.2)
    exact = [north_angle(h) for h in angles]
    formula = [
        field_rotation(polar_error=epsilon, hour_angle=h, polar_hour=polar_hour, declination=dec)
        for h in angles
    ]
    np.testing.assert_allclose(np.abs(np.diff(exact)), np.abs(np.diff(formula)), rtol=5e-3)


def test_the_largest_polar_error_that_smears_by_a_pixel():
    # Hook 1989, JBAA 99, 19: ε[′] = 45000 S cos δ / (T f A), from memory; the constant
    # derived anew is 45018.6
    smear = math.degrees(3.76e-3 / 530) * 3600  # 3.76 µm at 530 mm
    found = largest_polar_error_arcmin(
        smear_arcsec=smear, declination=math.radians(60), minutes=10, guide_angle_deg=2
    )
    assert found == pytest.approx(7.98, abs=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_a_polar_error_of_ten_arcminutes_is_bounded_from_below(seed):
    faults = Faults(polar_arcmin=10.0, polar_hour_deg=10.0)
    night = observed_night(np.random.default_rng(seed), faults)
    (found,) = alignment_findings(night)
    least = found.figures[0]
    # the target goes from −45° to +45°: the slope of the sine there is 0.8 or more
    assert 7.0 < least.value < 10.0 + 3 * least.uncertainty
    assert least.uncertainty < 0.5


@pytest.mark.parametrize("seed", range(40))
def test_a_good_alignment_says_nothing(seed):
    rng = np.random.default_rng(4000 + seed)
    night = observed_night(rng, hours=float(rng.uniform(1, 9)), dec_deg=float(rng.uniform(-20, 70)))
    assert alignment_findings(night) == []
    assert alignment_findings(stripped(night)) == []


def test_a_target_that_passes_below_the_pole_is_no_matter():
    faults = Faults(polar_arcmin=10.0, polar_hour_deg=180.0)
    night = observed_night(
        np.random.default_rng(13), faults, dec_deg=75.0, start_hour_angle_deg=140.0, flip=False
    )
    wrapped = [
        replace(
            one,
            place=replace(one.place, hour_angle_deg=(one.place.hour_angle_deg + 180) % 360 - 180),
        )
        for one in night
    ]
    assert min(one.place.hour_angle_deg for one in wrapped) < -170
    assert polar_error(wrapped).least_arcmin == pytest.approx(polar_error(night).least_arcmin)
    assert polar_error(wrapped).span_deg < 180


def test_the_bound_never_exceeds_the_error_by_more_than_its_uncertainty():
    rng = np.random.default_rng(12)
    for _ in range(40):
        true = float(rng.uniform(2, 20))
        faults = Faults(polar_arcmin=true, polar_hour_deg=float(rng.uniform(-180, 180)))
        night = observed_night(
            rng,
            faults,
            hours=4.0,
            dec_deg=float(rng.uniform(-10, 70)),
            start_hour_angle_deg=float(rng.uniform(-80, 10)),
        )
        found = polar_error(night)
        assert found is not None
        assert found.least_arcmin < true + 4 * found.error_arcmin


def test_what_to_do_depends_on_whether_it_shows_in_subs_as_long_as_these():
    faults = Faults(polar_arcmin=10.0, polar_hour_deg=10.0)
    long, short = (
        alignment_findings(observed_night(np.random.default_rng(5), faults, sub_s=seconds))[0]
        for seconds in (1200.0, 30.0)
    )
    assert long.remedy.startswith("Align the polar axis anew")
    assert short.remedy.startswith("Little harm")
