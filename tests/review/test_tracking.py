"""Faults of tracking put into nights, and found again."""

from datetime import timedelta

import numpy as np
import pytest

from stackbench.review.findings import Confidence
from stackbench.review.focus import focus_findings
from stackbench.review.tracking import tracking_findings
from stackbench.review.trails import rayleigh_chance, trail_of
from tests.support.observed import CLEAN, DUSK, SCALE, Faults, observed_night, stripped


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("faults", "cause"),
    [
        (Faults(dec_trail_px=5.0, trail_from_h=2.0), "trailed in declination"),
        (Faults(ra_trail_px=5.0), "trailed in right ascension"),
    ],
)
def test_a_guiding_fault_is_split_by_axis(seed, faults, cause):
    night = observed_night(np.random.default_rng(seed), faults)
    (found,) = tracking_findings(night)
    assert found.cause == cause
    assert found.confidence is Confidence.CERTAIN
    assert found.figures[0].value == pytest.approx(5.0, rel=0.25)
    assert found.start >= DUSK + timedelta(hours=faults.trail_from_h)


def test_without_world_coordinates_no_axis_is_named():
    night = stripped(observed_night(np.random.default_rng(5), Faults(ra_trail_px=5.0)))
    (found,) = tracking_findings(night)
    assert found.cause == "trailed one way"
    assert found.confidence is Confidence.LIKELY


def test_wind_trails_each_sub_its_own_way():
    (found,) = tracking_findings(observed_night(np.random.default_rng(6), Faults(wind_px=6.0)))
    assert found.cause == "shaken"


def test_a_single_bump_is_a_single_bump():
    (found,) = tracking_findings(observed_night(np.random.default_rng(7), Faults(bump_at_h=3.0)))
    assert found.cause == "bump"
    assert len(found.subs) == 1
    assert abs(found.start - (DUSK + timedelta(hours=3))) < timedelta(minutes=6)


@pytest.mark.parametrize("flip", [True, False])
def test_a_steady_drift_is_measured_by_axis(flip):
    faults = Faults(drift_arcsec_min=(0.3, -0.1), dither_px=3.0)
    night = observed_night(np.random.default_rng(8), faults, flip=flip)
    (found,) = tracking_findings(night)
    assert found.cause == "drift"
    by_name = {figure.name: figure for figure in found.figures}
    for name, true in (("right ascension", 0.3), ("declination", -0.1)):
        figure = by_name[f"drift along {name}"]
        assert figure.unit == "″ per minute"
        assert figure.value == pytest.approx(true, abs=max(3 * figure.uncertainty, 0.02))
    assert by_name["drift along declination"].uncertainty < SCALE * 8 / 60


def test_too_little_dithering_is_told_with_its_step():
    (found,) = tracking_findings(observed_night(np.random.default_rng(9), Faults(dither_px=0.4)))
    assert found.cause == "little dithering"
    # the median distance of two points scattered by σ each way is σ √(4 ln 2)
    assert found.figures[0].value == pytest.approx(0.4 * np.sqrt(4 * np.log(2)), rel=0.15)


@pytest.mark.parametrize("seed", range(40))
def test_a_quiet_night_has_no_fault_of_tracking(seed):
    rng = np.random.default_rng(3000 + seed)
    night = observed_night(rng, hours=float(rng.uniform(2, 9)))
    assert tracking_findings(night) == []
    assert tracking_findings(stripped(night)) == []


def test_the_chance_of_directions_without_order_is_what_it_says():
    # the share of random sets below a probability is that probability, by definition
    rng = np.random.default_rng(10)
    chances = np.array([rayleigh_chance(rng.uniform(0, 180, 30))[1] for _ in range(4000)])
    for level in (0.5, 0.1, 0.01):
        assert np.mean(chances < level) == pytest.approx(level, rel=0.35)


def test_a_trail_is_as_long_as_it_was_made():
    # a trail of length L adds L²/12 to the variance along it, derived
    night = observed_night(np.random.default_rng(11), Faults(dec_trail_px=6.0), north_deg=30.0)
    trails = [trail_of(one) for one in night]
    assert np.median([t.length_px for t in trails]) == pytest.approx(6.0, rel=0.1)
    off = [(t.grid_deg - 30 + 90) % 180 - 90 for t in trails]
    assert np.max(np.abs(off)) < 10


def with_stretch(faults, where, *, besides=CLEAN, seed=3):
    """Give a night of which some subs in a row have another fault."""
    sound, faulty = (
        observed_night(np.random.default_rng(seed), one, north_deg=20.0)
        for one in (besides, faults)
    )
    return [*sound[: where.start], *faulty[where], *sound[where.stop :]]


@pytest.mark.parametrize("count", [3, 4, 6])
def test_a_short_stretch_of_trailed_subs_is_told_with_its_axis(count):
    night = with_stretch(Faults(dec_trail_px=4.0), slice(30, 30 + count))
    (found,) = tracking_findings(night)
    assert found.cause == "trailed in declination"
    assert found.subs == tuple(one.path for one in night[30 : 30 + count])
    # three directions agree by chance once in twenty times at most (Rayleigh, e⁻³)
    assert (found.confidence is Confidence.CERTAIN) == (count > 4)


def test_two_trailed_subs_are_a_bump():
    night = with_stretch(Faults(dec_trail_px=4.0), slice(30, 32))
    (found,) = tracking_findings(night)
    assert found.cause == "bump"
    assert found.title.startswith("Two trailed subs at ")
    assert len(found.subs) == 2


def test_trails_in_between_do_not_hide_a_drift_of_the_focus():
    drift = Faults(focus_px_c=0.4, refocus_h=(3.0,))
    night = with_stretch(
        Faults(focus_px_c=0.4, refocus_h=(3.0,), dec_trail_px=6.0), slice(20, 24), besides=drift
    )
    (found,) = focus_findings(night)
    (alone,) = focus_findings(with_stretch(drift, slice(20, 24), besides=drift))
    assert found.figures[0].value == pytest.approx(alone.figures[0].value, abs=0.02)
    assert [one.value for one in found.figures if one.name == "refocused"] == [
        one.value for one in alone.figures if one.name == "refocused"
    ]
