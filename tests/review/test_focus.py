"""Focus drift put into nights, and found again with its slope and refocus times."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from stackbench.review import focus
from stackbench.review.focus import focus_findings
from stackbench.review.focuspositions import focus_positions
from tests.support.observed import DUSK, Faults, observed_night, stripped

DRIFT = Faults(focus_px_c=0.4, refocus_h=(2.0, 4.0))


@pytest.mark.parametrize("seed", range(6))
def test_a_drift_of_four_tenths_of_a_pixel_per_degree_is_recovered(seed):
    night = observed_night(np.random.default_rng(seed), DRIFT)
    (drift,) = focus_findings(night)
    slope = drift.figures[0]
    assert slope.unit == "px per °C"
    assert slope.value == pytest.approx(0.4, abs=max(2.5 * slope.uncertainty, 0.06))
    assert slope.uncertainty < 0.12
    refocused = [f.value for f in drift.figures if f.name == "refocused"]
    expected = [(DUSK + timedelta(hours=h)).timestamp() for h in DRIFT.refocus_h]
    # to within one sub with its pause
    np.testing.assert_allclose(refocused, expected, atol=540)


def test_without_a_thermometer_time_tells():
    (drift,) = focus_findings(stripped(observed_night(np.random.default_rng(9), DRIFT)))
    assert drift.figures[0].unit == "px per hour"
    # the air cools by 1.2 °C an hour
    slope = drift.figures[0]
    assert slope.value == pytest.approx(0.48, abs=max(2.5 * slope.uncertainty, 0.1))


@pytest.mark.parametrize("seed", range(40))
def test_a_quiet_night_has_no_focus_drift(seed):
    rng = np.random.default_rng(2000 + seed)
    night = observed_night(rng, hours=float(rng.uniform(2, 9)))
    assert focus_findings(night) == []
    assert focus_findings(stripped(night)) == []


def test_trailed_subs_are_no_focus_drift():
    night = observed_night(np.random.default_rng(4), Faults(dec_trail_px=5.0, trail_from_h=3.0))
    assert focus_findings(night) == []


def test_a_large_drift_without_a_refocus_is_likely_not_certain():
    (drift,) = focus_findings(observed_night(np.random.default_rng(1), Faults(focus_px_c=0.5)))
    assert drift.confidence == "likely"


def test_the_best_focus_of_each_filter_and_their_offset():
    rng = np.random.default_rng(6)
    night = observed_night(rng, hours=4.0)
    best = {"L": 5000.0, "Ha": 5040.0, "OIII": 4975.0}
    moved = []
    for number, one in enumerate(night):
        place = best[one.filter] + 15.0 * ((number // 3) % 7 - 3)
        blur = 0.03 * (place - best[one.filter])
        fwhm = float(np.hypot(3.0, blur) * rng.lognormal(0, 0.01))
        moved.append(
            replace(one, focus_position=place, measures=replace(one.measures, fwhm_px=fwhm))
        )
    found = {one.filter: one for one in focus_positions(moved)}
    for name, place in best.items():
        assert found[name].best == pytest.approx(place, abs=max(3 * found[name].error, 2.0))
        assert found[name].error < 4
    # filters take turns; the nearest sub may lie one step of the sweep further
    offsets = {name: one.offset for name, one in found.items()}
    most = next(name for name, offset in offsets.items() if offset is None)
    assert offsets == {
        name: None if name == most else pytest.approx(place - best[most], abs=15.0)
        for name, place in best.items()
    }
    assert focus_positions(stripped(night)) == ()


def test_a_refocus_in_between_is_no_offset_of_a_filter():
    night = observed_night(np.random.default_rng(7), filters=("L", "Ha"), hours=4.0)
    # the second half is L alone, refocused
    half = len(night) // 2
    moved = [
        replace(one, filter="L" if n >= half else one.filter, focus_position=place)
        for n, one in enumerate(night)
        for place in [(12000.0 if n < half else 11850.0) + (30.0 if one.filter == "Ha" else 0.0)]
        if n < half or one.filter == "L"
    ]
    found = {one.filter: one for one in focus_positions(moved)}
    assert found["L"].offset is None
    assert found["Ha"].offset == 30.0


@pytest.mark.parametrize(
    ("hours", "told"),
    [(0.02, "5 min"), (0.39, "20 min"), (0.99, "55 min"), (1.0, "1 h 00 min"), (2.6, "2 h 30 min")],
)
def test_the_time_between_settings_is_no_longer_than_focus_holds(hours, told):
    assert focus._about(hours) == told
