"""What went wrong in simulated nights, read out of their pixels and headers.

Each night goes through the whole chain (headers, masters, stars, places, verdicts)
with one fault of known size, and must tell that fault and no other.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from stackbench.frames.records import Kind, Pointing
from stackbench.job.bench import open_bench
from stackbench.job.diagnosing import findings_of, target_nights
from stackbench.job.pixels import PixelDesk
from stackbench.job.run import judge_night, look_through, measure_night
from stackbench.job.settings import Settings
from tests.support.simulator.factories import filter_plan
from tests.support.simulator.faults import Cloud, Spell, Trail
from tests.support.simulator.night import simulate_night
from tests.support.simulator.plan import (
    SITE,
    AirPlan,
    CameraPlan,
    DarkPlan,
    FieldPlan,
    FocusPlan,
    MountPlan,
    NightPlan,
    OpticsPlan,
    SessionPlan,
)
from tests.support.simulator.sky import sidereal_angle_deg, sun_altitude_deg, twilight_factor

# the evening of a new Moon
START = datetime(2031, 11, 14, 23, 0, tzinfo=UTC)
PAUSE_S = 12.0


@pytest.fixture
def diagnosed(tmp_path):
    """Simulate a night and run the job as far as its findings; give the truth and those."""

    def diagnose_night(plan, seed):
        truth = simulate_night(
            tmp_path / "night", rng=np.random.default_rng(seed), night=plan, workers=2
        )
        with open_bench(tmp_path / "out", settings=Settings(), threads=2) as bench:
            night = measure_night(
                bench, PixelDesk(bench.scratch), look_through(bench, [tmp_path / "night"])
            )
            judged = judge_night(bench, night)
            return truth, findings_of(target_nights(judged))

    return diagnose_night


def night_plan(*, lights=24, exposure_s=300.0, filters=("L",), start=START, turned_deg=0.0):
    """Plan a night without faults, its flip halfway, the headers full."""
    middle = start + timedelta(seconds=lights * len(filters) * (exposure_s + PAUSE_S) / 2)
    return NightPlan(
        shape=(480, 700),
        filters=tuple(
            replace(
                filter_plan(name, lights=lights, flats=3, exposure_s=exposure_s),
                sky_e_s=600 / exposure_s,
            )
            for name in filters
        ),
        camera=CameraPlan(cosmics_per_mpx_s=0.01, dark_e_s=0.005, hot_e_s=(0.5, 20.0)),
        # the brightest stay below saturation
        field=FieldPlan(stars=90, flux_e_s=(9e3 / exposure_s, 3e5 / exposure_s), separation_px=20),
        mount=MountPlan(rotation_deg=0.0),
        air=AirPlan(ambient_c=8.0, cooling_c_h=1.5),
        sessions=(SessionPlan(start=start, camera_angle_deg=turned_deg),),
        bias=4,
        darks=(DarkPlan(exposure_s=exposure_s, count=4),),
        pointing=Pointing(
            ra_deg=round(sidereal_angle_deg(middle, SITE) % 360, 3), dec_deg=40.0
        ),
        wcs=True,
    )


def only(findings, cause):
    """Give the one finding there is, and see that it is of the cause."""
    assert [one.cause for one in findings] == [cause]
    return findings[0]


def figure(finding, name):
    return next(one for one in finding.figures if one.name == name)


def lights_of(truth):
    return truth.of_kind(Kind.LIGHT)


def test_a_clean_night_of_two_filters_says_nothing(diagnosed):
    _, findings = diagnosed(night_plan(lights=12, filters=("L", "R"), turned_deg=20.0), 1)
    assert findings == ()


def test_focus_that_drifts_with_temperature(diagnosed):
    plan = replace(
        (base := night_plan(exposure_s=480.0)), air=replace(base.air, cooling_c_h=2.5),
        focus=FocusPlan(drift_px_c=0.4, refocus_before=(13,)),
    )
    truth, findings = diagnosed(plan, 2)
    found = only(findings, "focus drift")
    slope = figure(found, "slope")
    print(found, [f.light.profile.fwhm_px for f in lights_of(truth)])
    assert slope.unit == "px per °C"
    assert slope.value == pytest.approx(0.4, abs=0.05)
    refocused = figure(found, "refocused")
    assert refocused.value == lights_of(truth)[13].time.timestamp()


def test_a_polar_error_turns_the_field(diagnosed):
    plan = replace(
        night_plan(exposure_s=600.0),
        mount=MountPlan(rotation_deg=0.0, polar_error_arcmin=10.0, polar_hour_deg=10.0),
    )
    _, findings = diagnosed(plan, 3)
    found = only(findings, "polar error")
    print(found)
    least = found.figures[0]
    assert least.unit == "′"
    assert least.value == pytest.approx(9.5, abs=0.3)


def test_a_tilted_sensor(diagnosed):
    plan = night_plan()
    plan = replace(plan, optics=OpticsPlan(tilt=(0.2, -0.15)))
    _, findings = diagnosed(plan, 4)
    found = only(findings, "tilt")
    print(found)
    assert figure(found, "tilt").value == pytest.approx(0.25, abs=0.03)


def test_guiding_that_fails_in_declination(diagnosed):
    turned_deg = 35.0
    plan = night_plan(turned_deg=turned_deg)
    half = START + timedelta(hours=1)
    # north is up on the simulated grid, to which the camera is turned
    trail = Trail(axis_ratio=0.6, angle_deg=90.0 - turned_deg)
    plan = replace(plan, spells=(Spell(start=half, end=half + timedelta(hours=5), fault=trail),))
    truth, findings = diagnosed(plan, 5)
    found = only(findings, "trailed in declination")
    print(found)


def test_cloud_has_its_times(diagnosed):
    start = datetime(2031, 11, 15, 0, 20, tzinfo=UTC)
    begin, end = start.replace(hour=1, minute=10), start.replace(hour=1, minute=40)
    plan = night_plan(lights=30, exposure_s=180.0, start=start)
    cloud = Cloud(transparency=0.6, sky_factor=1.5)
    plan = replace(plan, spells=(Spell(start=begin, end=end, fault=cloud),))
    truth, findings = diagnosed(plan, 6)
    found = only(findings, "cloud")
    print(found)


def test_dawn_after_the_end_of_the_dark(diagnosed):
    start = datetime(2031, 11, 15, 7, 20, tzinfo=UTC)
    plan = night_plan(lights=24, exposure_s=120.0, start=start)
    plan = replace(plan, air=replace(plan.air, twilight=True))
    truth, findings = diagnosed(plan, 7)
    print([(f.time, sun_altitude_deg(f.time, SITE), twilight_factor(sun_altitude_deg(f.time, SITE))) for f in lights_of(truth)])
    found = only(findings, "dawn")
    print(found)


def test_too_little_dithering(diagnosed):
    plan = night_plan()
    plan = replace(plan, mount=replace(plan.mount, dither_px=0.6))
    truth, findings = diagnosed(plan, 8)
    found = only(findings, "little dithering")
    print(found)
