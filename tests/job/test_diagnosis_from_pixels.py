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
from stackbench.job.borrowing import keep_masters
from stackbench.job.diagnosing import findings_of, target_nights
from stackbench.job.library import Library
from stackbench.job.looking import look_through
from stackbench.job.pixels import PixelDesk
from stackbench.job.run import judge_night, measure_night
from stackbench.job.settings import Settings
from tests.support.simulator.factories import filter_plan
from tests.support.simulator.faults import Bump, Cloud, PlacedFault, Spell, Trail
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
from tests.support.simulator.profile import StarProfile, recorded_shape
from tests.support.simulator.sky import sidereal_angle_deg, sun_altitude_deg, twilight_factor

# the evening of a new Moon
START = datetime(2031, 11, 14, 23, 0, tzinfo=UTC)
PAUSE_S = 12.0
DAY = timedelta(days=1)


@pytest.fixture
def diagnosed(tmp_path):
    """Simulate a night and run the job as far as its findings; give the truth and those.

    Its masters go into a library, for the night after it.
    """
    library = Library(tmp_path / "library")

    def diagnose_night(plan, seed):
        folder = tmp_path / f"{plan.sessions[0].start:%Y-%m-%d}"
        truth = simulate_night(
            folder / "night", rng=np.random.default_rng(seed), night=plan, workers=2
        )
        with open_bench(folder / "out", settings=Settings(), threads=2, library=library) as bench:
            night = measure_night(
                bench, PixelDesk(bench.scratch), look_through(bench, [folder / "night"])
            )
            judged = judge_night(bench, night)
            keep_masters(library, bench.store, bench.out)
            return truth, findings_of(target_nights(judged), night.cameras)

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
        # from S/N 10 to just below saturation
        field=FieldPlan(stars=120, flux_e_s=(1.5e3 / exposure_s, 3e5 / exposure_s), slope=0.6),
        mount=MountPlan(rotation_deg=0.0),
        air=AirPlan(ambient_c=8.0, cooling_c_h=1.5),
        sessions=(SessionPlan(start=start, camera_angle_deg=turned_deg),),
        bias=4,
        darks=(DarkPlan(exposure_s=exposure_s, count=4),),
        pointing=Pointing(ra_deg=round(sidereal_angle_deg(middle, SITE) % 360, 3), dec_deg=40.0),
        wcs=True,
    )


def only(findings, cause):
    """Give the one finding there is, and see that it is of the cause."""
    assert [one.cause for one in findings] == [cause]
    return findings[0]


def figure(finding, name):
    return next(one for one in finding.figures if one.name == name)


def lights_of(truth):
    """Give the true lights in order of time."""
    return truth.of_kind(Kind.LIGHT)


def middle_of(frame):
    return frame.time + timedelta(seconds=frame.exposure_s / 2)


def names(frames):
    return [frame.path.name for frame in frames]


def told_of(finding):
    return [path.name for path in finding.subs]


def seconds_apart(time, other):
    return abs((time - other).total_seconds())


def test_a_clean_night_of_two_filters_says_nothing(diagnosed):
    _, findings = diagnosed(night_plan(lights=12, filters=("L", "R"), turned_deg=20.0), 1)
    assert findings == ()


def test_focus_that_drifts_with_temperature(diagnosed):
    plan = night_plan(exposure_s=480.0)
    plan = replace(
        plan,
        air=replace(plan.air, cooling_c_h=2.5),
        focus=FocusPlan(drift_px_c=0.4, refocus_before=(13,)),
    )
    truth, findings = diagnosed(plan, 2)
    found = only(findings, "focus drift")
    slope = figure(found, "slope")
    assert slope.unit == "px per °C"
    # seeing that wanders by 5 % of 3 px feigns up to 0.15 px over the 4 °C between two
    # settings, either way; pixels, that widen sharp stars most, take another 3 %
    assert slope.value == pytest.approx(0.4, abs=0.06)
    assert abs(slope.value - 0.4) < 3 * slope.uncertainty
    refocused = lights_of(truth)[13]
    assert figure(found, "refocused").value == refocused.time.timestamp()
    assert f"at {refocused.time:%H:%M} UTC" in found.evidence[-1]


def test_a_polar_error_turns_the_field(diagnosed):
    plan = night_plan(exposure_s=600.0)
    mount = replace(plan.mount, polar_error_arcmin=10.0, polar_hour_deg=10.0)
    truth, findings = diagnosed(replace(plan, mount=mount), 3)
    found = only(findings, "polar error")
    least = figure(found, "polar error, at least")
    assert least.unit == "′"
    # what a straight line in H can tell of ε sin(H − H_p), each side of the flip by itself
    sidereal = [sidereal_angle_deg(middle_of(one), SITE) for one in lights_of(truth)]
    sides = np.split(np.unwrap(np.radians(np.array(sidereal) - plan.pointing.ra_deg)), 2)
    along = np.concatenate([side - side.mean() for side in sides])
    turn = 10.0 * np.sin(np.concatenate(sides) - np.radians(10.0))
    bound = float(along @ turn / (along @ along))
    assert bound < 10
    # sixty centroids good to 0.05 px, 200 px from the middle, leave a turn uncertain by 0.1′;
    # times cos δ, over 24 subs whose H scatters by 9° about each side's middle: 0.11′
    assert least.value == pytest.approx(bound, abs=0.4)
    assert abs(least.value - bound) < 3 * least.uncertainty


def test_a_tilted_sensor(diagnosed):
    plan = replace(night_plan(), optics=OpticsPlan(tilt=(0.2, -0.15)))
    _, findings = diagnosed(plan, 4)
    found = only(findings, "tilt")
    # 25 % before pixels integrate; they widen the sharp side more, which takes a twentieth
    sharp, wide = (recorded_shape(StarProfile(fwhm_px=3 * f)).fwhm_px for f in (0.875, 1.125))
    recorded = (wide - sharp) / recorded_shape(StarProfile(fwhm_px=3.0)).fwhm_px
    assert figure(found, "tilt").value == pytest.approx(recorded, abs=0.01)
    assert figure(found, "widest towards").value == pytest.approx(
        np.degrees(np.arctan2(-0.15, 0.2)) % 360, abs=3.0
    )
    assert "bottom right" in found.title


@pytest.mark.parametrize(("axis", "from_north_deg"), [("declination", 0), ("right ascension", 90)])
def test_guiding_that_fails_in_one_axis(diagnosed, axis, from_north_deg):
    # two evenings between which the camera was turned: what is common is on the sky
    plan = night_plan(lights=12, turned_deg=35.0)
    evenings = [START, START + DAY]
    turned = [35.0, 125.0]
    plan = replace(
        plan,
        sessions=tuple(
            SessionPlan(start=start, camera_angle_deg=angle, flats=start == START)
            for start, angle in zip(evenings, turned, strict=True)
        ),
        # north is up on the simulated grid, to which the camera is turned
        spells=tuple(
            Spell(
                start=start + timedelta(minutes=15),
                end=start + timedelta(minutes=50),
                fault=Trail(axis_ratio=0.6, angle_deg=(90.0 + from_north_deg - angle) % 180),
            )
            for start, angle in zip(evenings, turned, strict=True)
        ),
    )
    truth, findings = diagnosed(plan, 105)
    trailed = [one for one in lights_of(truth) if one.light.faults]
    # each evening tells its own; on the grid, one evening's sub, both lie alike
    assert [one.cause for one in findings] == [f"trailed in {axis}"] * 2
    assert [name for one in findings for name in told_of(one)] == names(trailed)
    assert figure(findings[0], "direction on the grid").value == pytest.approx(
        figure(findings[1], "direction on the grid").value, abs=2.0
    )
    for found, evening in zip(findings, evenings, strict=True):
        # √12 σ of the light along the trail beyond that across
        length = np.median(
            [
                np.sqrt(12 * (1 / r.axis_ratio - r.axis_ratio)) * r.fwhm_px / 2.3548
                for r in (
                    one.light.recorded for one in trailed if evening <= one.time < evening + DAY
                )
            ]
        )
        # FWHM is good to 1.5 %, eccentricity to 0.01, which is 2 % of a trail
        assert figure(found, "trail").value == pytest.approx(length, rel=0.04)


def test_a_knock_that_doubles_stars(diagnosed):
    plan = night_plan(lights=16)
    knocked = PlacedFault(filter="L", index=6, fault=Bump(offset_px=(5.0, 3.0), fraction=0.35))
    truth, findings = diagnosed(replace(plan, faults=(knocked,)), 106)
    found = only(findings, "bump")
    (doubled,) = [one for one in lights_of(truth) if one.light.faults]
    assert told_of(found) == [doubled.path.name]
    assert seconds_apart(found.start, doubled.time) < 1
    assert "all stars drawn out or doubled alike" in found.evidence[0]


def test_cloud_has_its_times(diagnosed):
    start = datetime(2031, 11, 15, 0, 20, tzinfo=UTC)
    begin, end = start.replace(hour=1, minute=10), start.replace(hour=1, minute=40)
    plan = night_plan(lights=30, exposure_s=180.0, start=start)
    cloud = Cloud(transparency=0.6, sky_factor=1.5)
    truth, findings = diagnosed(
        replace(plan, spells=(Spell(start=begin, end=end, fault=cloud),)), 6
    )
    found = only(findings, "cloud")
    clouded = [one for one in lights_of(truth) if one.light.faults]
    assert told_of(found) == names(clouded)
    # no finer than one sub
    assert seconds_apart(found.start, begin) < 180 + PAUSE_S
    assert seconds_apart(found.end, end) < 180 + PAUSE_S
    # clear air itself varies by 4 % of light and 6 % of sky
    assert figure(found, "light lost").value == pytest.approx(0.4, abs=0.04)
    assert figure(found, "sky brightened").value == pytest.approx(1.5, rel=0.08)


def test_dawn_after_the_end_of_the_dark(diagnosed):
    start = datetime(2031, 11, 15, 7, 20, tzinfo=UTC)
    plan = night_plan(lights=24, exposure_s=120.0, start=start)
    truth, findings = diagnosed(replace(plan, air=replace(plan.air, twilight=True)), 7)
    found = only(findings, "dawn")
    lights = lights_of(truth)
    heights = [sun_altitude_deg(middle_of(one), SITE) for one in lights]
    # told from 1.6 times the night's sky on, which wanders by 6 %: within one sub of
    # where the Sun alone makes it so
    first = next(n for n, height in enumerate(heights) if twilight_factor(height) > 1.6)
    assert abs(len(lights) - len(found.subs) - first) <= 1
    assert told_of(found) == names(lights)[-len(found.subs) :]
    assert found.figures[0].value == pytest.approx(twilight_factor(heights[-1]), rel=0.1)
    assert f"Sun at −{-heights[-1]:.0f}°" in found.evidence


def test_too_little_dithering(diagnosed):
    plan = night_plan()
    plan = replace(plan, mount=replace(plan.mount, dither_px=0.6))
    truth, findings = diagnosed(plan, 8)
    found = only(findings, "little dithering")
    middle = np.array([(plan.shape[1] - 1) / 2, (plan.shape[0] - 1) / 2, 1.0])
    places = np.array([(one.light.to_grid @ middle)[:2] for one in lights_of(truth)])
    # a flip between the two halves is no step
    steps = np.concatenate([np.diff(half, axis=0) for half in np.split(places, 2)])
    typical = float(np.median(np.hypot(*steps.T)))
    # places are good to 0.05 px
    assert figure(found, "median step").value == pytest.approx(typical, abs=0.05)


def test_a_zero_level_that_rises(diagnosed):
    plan = night_plan(lights=12)
    plan = replace(
        plan, bias=12, bias_every_s=180.0, camera=replace(plan.camera, bias_rise_adu_h=10.0)
    )
    truth, findings = diagnosed(plan, 9)
    found = only(findings, "bias drift")
    slope = figure(found, "slope")
    assert (slope.unit, slope.uncertainty < 0.3) == ("ADU per hour", True)
    assert slope.value == pytest.approx(10.0, abs=4 * slope.uncertainty)
    times = [one.time for one in truth.of_kind(Kind.BIAS)]
    # σ of the slope: read noise of 4.4 ADU over the root of the pixels looked at, 30 000
    assert figure(found, "change").value == pytest.approx(
        10.0 * (times[-1] - times[0]).total_seconds() / 3600, abs=0.2
    )
    assert told_of(found) == names(lights_of(truth))


def test_a_zero_level_that_differs_at_random_is_no_drift(diagnosed):
    plan = night_plan(lights=12)
    plan = replace(
        plan, bias=12, bias_every_s=180.0, camera=replace(plan.camera, bias_drift_adu=2.0)
    )
    assert diagnosed(plan, 10)[1] == ()


def test_a_zero_level_that_is_another_on_the_next_evening(tmp_path):
    plan = night_plan(lights=8)
    lights = []
    for start, zero in ((START, 500.0), (START + DAY, 508.0)):
        evening = replace(
            plan,
            bias=6,
            sessions=(SessionPlan(start=start),),
            camera=replace(plan.camera, bias_adu=zero),
        )
        folder = tmp_path / "night" / f"{start:%Y-%m-%d}"
        rng = np.random.default_rng(107)
        lights += lights_of(simulate_night(folder, rng=rng, night=evening, workers=2))
    with open_bench(tmp_path / "out", settings=Settings(), threads=2) as bench:
        night = measure_night(
            bench, PixelDesk(bench.scratch), look_through(bench, [tmp_path / "night"])
        )
        findings = findings_of(target_nights(judge_night(bench, night)), night.cameras)
    found = only(findings, "bias step")
    # read noise of 4.4 ADU over the root of the pixels looked at, 30 000, on either side
    assert figure(found, "step").value == pytest.approx(8.0, abs=0.2)
    assert set(found.subs) == {one.path for one in lights}


def test_amplifier_glow_that_fitting_darks_take_away(diagnosed):
    plan = night_plan(lights=12)
    plan = replace(plan, camera=replace(plan.camera, glow_e_s=2.0))
    truth, findings = diagnosed(plan, 11)
    found = only(findings, "amplifier glow")
    # the corner of 64 px by 64, without its hot pixels
    corner = truth.signature.dark_e_s[-64:, -64:][~truth.signature.hot[-64:, -64:]]
    glow_e = (np.median(corner) - plan.camera.dark_e_s) * 300
    assert figure(found, "glow").value == pytest.approx(glow_e / plan.camera.gain_e_adu, rel=0.1)
    # Poisson noise beside that of the sky and of reading; calibrating adds a few per cent
    variance = np.median([one.light.sky_e for one in lights_of(truth)]) + 3.5**2
    expected = np.sqrt(1 + glow_e / variance) - 1
    assert figure(found, "noise added").value == pytest.approx(expected, rel=0.15)
    assert "last rows right" in found.title
    assert told_of(found) == names(lights_of(truth))


def test_hot_pixels_that_are_new_since_another_evening(diagnosed):
    before = night_plan(lights=8)
    camera = replace(before.camera, hot_fraction=1e-3)
    before = replace(before, camera=camera)
    # one seed: the hot pixels of before are among those of now
    now = replace(
        before,
        camera=replace(camera, hot_fraction=1.6e-3),
        sessions=(SessionPlan(start=START + 150 * DAY),),
    )
    earlier, findings = diagnosed(before, 12)
    assert findings == ()
    later, findings = diagnosed(now, 12)
    found = only(findings, "new hot pixels")
    new = int(np.count_nonzero(later.signature.hot & ~earlier.signature.hot))
    assert new > 100
    # those in the glow's corner and the faintest may pass below the limit of 8 σ
    assert figure(found, "new").value == pytest.approx(new, rel=0.05)
    assert figure(found, "hot before").value == pytest.approx(earlier.signature.hot.sum(), rel=0.05)
    assert f"since {START:%Y-%m-%d}" in found.title
    assert told_of(found) == names(lights_of(later))
