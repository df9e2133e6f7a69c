"""Which calibration frames serve which light: rules of the trade.

Common practice, no source, unless a test says otherwise.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from stackbench.calibration.matching import MatchingOptions, plan_calibration
from stackbench.calibration.pairing_words import light_notes
from stackbench.calibration.records import MasterFacts, StoredMaster
from stackbench.calibration.rules import RULES, broken_rules, cameras_agree, preference
from stackbench.calibration.sets import calibration_sets, evening
from stackbench.frames.records import (
    CameraSetup,
    Frame,
    Kind,
    PixelLayout,
    Setup,
    Site,
)

DUSK = datetime(2025, 3, 14, 20, 0, tzinfo=UTC)
CAMERA = CameraSetup(camera="Moth 26", gain_setting=100, offset_setting=30, shape=(40, 60))
LONG = Setup(camera=CAMERA, telescope="Long reflector", focal_length_mm=2000)
SHORT = Setup(camera=CAMERA, telescope="Short refractor", focal_length_mm=400)
_count = iter(range(100_000))


def frame(kind, setup=LONG, **facts):
    path = Path(f"{kind}_{next(_count):05d}.fits")
    defaults = {"exposure_s": 300.0, "temperature_c": -10.0, "time": DUSK}
    return Frame(
        path=path,
        size_bytes=1,
        modified_ns=1,
        layout=PixelLayout(hdu=0, shape=setup.camera.shape, bitpix=16),
        kind=kind,
        setup=setup,
        **(defaults | facts),
    )


def several(count, kind, *args, **facts):
    return [frame(kind, *args, **facts) for _ in range(count)]


def serving(light, *others):
    frames = [light, *(f for group in others for f in group)]
    return plan_calibration(frames).servings[light.path]


BIAS = several(5, Kind.BIAS, exposure_s=0.0)
LIGHT = frame(Kind.LIGHT, filter="L", target="Lantern")


def test_a_dark_that_matches_is_used_as_taken_with_its_bias_inside():
    darks = several(5, Kind.DARK)
    served = serving(LIGHT, BIAS, darks)
    assert served.dark is not None
    assert served.dark.frames == tuple(darks)
    assert served.dark_scale is None


def test_a_dark_of_another_exposure_is_scaled_and_needs_the_bias():
    served = serving(LIGHT, BIAS, several(5, Kind.DARK, exposure_s=600.0))
    assert served.dark_scale == pytest.approx(0.5)
    assert served.bias is not None
    assert any("scaled by 0.5" in note for note in served.notes)


def test_without_bias_a_dark_of_another_exposure_is_said_to_be_unscaled():
    served = serving(LIGHT, several(5, Kind.DARK, exposure_s=600.0))
    assert served.dark is not None
    assert served.dark_scale is None
    assert any("as it is" in problem.what for problem in served.problems)


def test_a_temperature_gap_over_two_degrees_is_warned_of():
    near = serving(LIGHT, BIAS, several(3, Kind.DARK, temperature_c=-8.5))
    far = serving(LIGHT, BIAS, several(3, Kind.DARK, temperature_c=-5.0))
    assert not any("°C away" in p.what for p in near.problems)
    assert any("5.0 °C away" in p.what for p in far.problems)


def test_the_right_temperature_beats_the_right_exposure():
    cold_long = several(3, Kind.DARK, exposure_s=600.0)
    warm_same = several(3, Kind.DARK, temperature_c=0.0)
    served = serving(LIGHT, BIAS, cold_long, warm_same)
    assert served.dark is not None
    assert served.dark.exposure_s == 600.0


def test_a_longer_dark_beats_an_equally_far_shorter_one():
    served = serving(
        LIGHT, BIAS, several(3, Kind.DARK, exposure_s=150.0), several(3, Kind.DARK, exposure_s=600)
    )
    assert served.dark is not None
    assert served.dark.exposure_s == 600.0


def test_filter_of_bias_and_dark_frames_is_ignored():
    darks = [frame(Kind.DARK, filter=f) for f in ("L", "Ha", None)]
    assert len(calibration_sets(darks)) == 1
    assert serving(LIGHT, BIAS, darks).dark is not None


def test_flats_of_another_train_or_filter_never_serve():
    wrong_train = several(4, Kind.FLAT, SHORT, filter="L", exposure_s=2.0)
    wrong_filter = several(4, Kind.FLAT, LONG, filter="R", exposure_s=2.0)
    served = serving(LIGHT, BIAS, wrong_train, wrong_filter)
    assert served.flat is None
    assert any("no flat" in p.what and p.remedy for p in served.problems)


def test_flats_of_another_night_serve_when_no_nearer_exist_and_the_gap_is_stated():
    week_ago = several(4, Kind.FLAT, filter="L", exposure_s=2.0, time=DUSK - timedelta(days=7))
    served = serving(LIGHT, BIAS, week_ago)
    assert served.flat is not None
    assert any("7 days" in note for note in served.notes)
    yesterday = several(4, Kind.FLAT, filter="L", exposure_s=2.0, time=DUSK - timedelta(days=1))
    nearer = serving(LIGHT, BIAS, week_ago, yesterday)
    assert nearer.flat is not None
    assert nearer.flat.frames == tuple(yesterday)


def test_two_trains_of_one_night_are_told_apart():
    # common practice, no source: one mount may carry two trains in one night
    for setup, serves in (
        (SHORT, False),
        (replace(LONG, telescope=None, focal_length_mm=1995.0), True),
    ):
        flats = several(3, Kind.FLAT, setup, filter="L", exposure_s=2.0)
        assert (serving(LIGHT, BIAS, flats).flat is not None) is serves


@pytest.mark.parametrize(
    "other",
    [
        replace(CAMERA, gain_setting=0.0),
        replace(CAMERA, offset_setting=10.0),
        replace(CAMERA, binning=(2, 2)),
        replace(CAMERA, shape=(20, 30)),
        replace(CAMERA, camera="Beetle 9"),
        replace(CAMERA, read_mode="low noise"),
    ],
)
def test_other_camera_settings_never_serve(other):
    light = frame(Kind.LIGHT, replace(LONG, camera=replace(CAMERA, read_mode="fast")), filter="L")
    served = serving(light, several(3, Kind.BIAS, replace(LONG, camera=other)))
    assert served.bias is None


def test_a_setting_that_one_header_leaves_out_does_not_forbid():
    served = serving(
        LIGHT, several(3, Kind.BIAS, replace(LONG, camera=replace(CAMERA, gain_setting=None)))
    )
    assert served.bias is not None


def test_flats_take_dark_flats_first():
    flat = frame(Kind.FLAT, filter="L", exposure_s=4.0)
    dark_flats = several(3, Kind.DARK_FLAT, exposure_s=4.1)
    served = serving(flat, BIAS, several(3, Kind.DARK, exposure_s=4.0), dark_flats)
    assert served.dark is not None
    assert served.dark.kind is Kind.DARK_FLAT
    assert served.dark_scale is None


def test_flats_without_dark_flats_take_bias_and_the_scaled_dark():
    flat = frame(Kind.FLAT, filter="L", exposure_s=3.0)
    served = serving(flat, BIAS, several(3, Kind.DARK))
    assert served.bias is not None
    assert served.dark_scale == pytest.approx(0.01)


def test_darks_part_where_the_temperature_jumps():
    darks = [frame(Kind.DARK, temperature_c=t) for t in (-10.1, -9.9, -5.2, -5.0, None)]
    temperatures = [s.temperature_c for s in calibration_sets(darks)]
    assert temperatures == [pytest.approx(-10.0), pytest.approx(-5.1), None]


def test_a_night_lasts_from_noon_to_noon_at_the_site():
    after_midnight = frame(Kind.LIGHT, time=datetime(2025, 3, 15, 3, 0, tzinfo=UTC))
    assert evening(after_midnight) == DUSK.date()
    far_east = frame(
        Kind.LIGHT,
        time=datetime(2025, 3, 14, 10, 30, tzinfo=UTC),
        site=Site(latitude_deg=-30, longitude_deg=150),
    )
    assert evening(far_east) == DUSK.date()
    assert evening(frame(Kind.LIGHT, time=None)) is None


@given(st.permutations(range(12)))
def test_the_order_of_the_files_does_not_matter(order):
    frames = [
        *several(3, Kind.BIAS),
        *several(3, Kind.DARK),
        *several(3, Kind.DARK, exposure_s=60.0),
        *several(3, Kind.FLAT, filter="L"),
    ]
    shuffled = [frames[i] for i in order]
    assert calibration_sets(shuffled) == calibration_sets(frames)


@pytest.mark.parametrize(("count", "words"), [(1, "the 1 dark of"), (4, "the 4 darks of")])
def test_darks_of_unknown_exposure_serve_no_light_and_are_named_as_the_cause(count, words):
    untimed = several(count, Kind.DARK, exposure_s=None, temperature_c=None)
    found = serving(LIGHT, BIAS, untimed)
    assert found.dark is None
    told = next(p for p in found.problems if "no dark serves them" in p.what)
    assert words in told.why
    assert "no exposure time" in told.why
    unknown = frame(Kind.LIGHT, exposure_s=None, target="Lantern")
    told = next(p for p in serving(unknown, BIAS, untimed).problems if "no dark" in p.what)
    assert told.why == "the lights' headers give no exposure time"


def test_darks_at_another_gain_setting_are_named_with_both_settings():
    other = replace(LONG, camera=replace(CAMERA, gain_setting=0.0))
    served = serving(LIGHT, BIAS, several(5, Kind.DARK, other))
    told = next(p for p in served.problems if "no dark serves them" in p.what)
    assert "gain setting 0" in told.why
    assert "gain setting 100" in told.why


def test_binned_flats_do_not_serve_unbinned_lights_and_the_binning_is_named():
    binned = replace(LONG, camera=replace(CAMERA, binning=(2, 2), shape=(20, 30)))
    served = serving(LIGHT, BIAS, several(5, Kind.FLAT, binned, filter="L", exposure_s=2.0))
    assert served.flat is None
    told = next(p for p in served.problems if "no flat" in p.what)
    assert "binning 2×2" in told.why
    assert "binning 1×1" in told.why


@pytest.mark.parametrize(
    ("flat_deg", "serves"), [(90.5, True), (92.0, True), (95.0, False), (270.2, True), (None, True)]
)
def test_flats_serve_only_at_the_same_rotation(flat_deg, serves):
    light = frame(Kind.LIGHT, filter="L", target="Lantern", rotator_deg=90.0)
    flats = several(4, Kind.FLAT, filter="L", exposure_s=2.0, rotator_deg=flat_deg)
    served = serving(light, BIAS, flats)
    assert (served.flat is not None) is serves
    if not serves:
        assert any("rotator at 95°" in p.why for p in served.problems)


def test_flats_part_where_the_rotator_was_turned():
    flats = [frame(Kind.FLAT, filter="L", rotator_deg=deg) for deg in (10.0, 10.4, 55.0, 369.9)]
    assert sorted(len(one.frames) for one in calibration_sets(flats)) == [1, 3]


def test_a_dark_is_scaled_by_temperature_only_when_asked():
    # D(T) = D0 · 2^((T − T0)/ΔT2), common practice, no source: from 0 °C to −10 °C with
    # a doubling step of 6 °C 0.10 e/s becomes 0.031498 e/s
    darks = several(5, Kind.DARK, temperature_c=0.0)
    frames = [LIGHT, *BIAS, *darks]
    unasked = plan_calibration(frames).servings[LIGHT.path]
    assert unasked.dark_scale == pytest.approx(1.0)
    assert any("10.0 °C away" in p.what for p in unasked.problems)
    options = MatchingOptions(dark_doubling_c=6.0)
    asked = plan_calibration(frames, options=options).servings[LIGHT.path]
    assert asked.dark_scale is not None
    assert asked.dark_scale * 0.10 == pytest.approx(0.031498, abs=1e-6)
    assert not any("°C away" in p.what for p in asked.problems)
    assert "bias removed first" in asked.notes[1]


def test_temperature_scaling_needs_the_bias_out_of_the_way():
    darks = several(5, Kind.DARK, temperature_c=0.0)
    options = MatchingOptions(dark_doubling_c=6.0)
    served = plan_calibration([LIGHT, *darks], options=options).servings[LIGHT.path]
    assert served.dark_scale is None
    assert any("10.0 °C away" in p.what for p in served.problems)


@pytest.mark.parametrize("step", [0.0, -6.0, 31.0, float("nan")])
def test_a_doubling_step_that_cannot_be_is_refused(step):
    with pytest.raises(ValueError, match="dark_doubling_c"):
        MatchingOptions(dark_doubling_c=step)


def test_a_pairing_explains_itself_with_the_bias_level():
    light = frame(Kind.LIGHT, filter="L", exposure_s=200.0, temperature_c=-14.6)
    darks = several(12, Kind.DARK, temperature_c=-15.0)
    served = serving(light, BIAS, darks)
    notes = light_notes(light, served, bias_adu=324.2)
    assert notes[1] == (
        "dark: 12 frames of 300 s at −15.0 °C, for lights of 200 s: "
        "bias 324 ADU removed first, scaled by 0.667"
    )


def stored(kind, depth=20, **facts):
    (one,) = calibration_sets([frame(kind, **facts)])
    return kept(one, depth)


def kept(one, depth):
    facts = MasterFacts(
        kind=one.kind,
        setup=one.setup,
        paths=tuple(Path(f"{n}.fits") for n in range(depth)),
        method="sigma-clip",
        rejected_pixels=0,
        level_adu=300.0,
    )
    master = StoredMaster(path=Path("kept.fits"), sha256="0" * 64, facts=facts)
    return replace(one, frames=(), stored=master)


def test_a_night_without_darks_takes_the_one_of_the_library_that_fits():
    wrong = stored(Kind.DARK, exposure_s=120.0)
    right = stored(Kind.DARK, time=DUSK - timedelta(days=40))
    plan = plan_calibration([LIGHT, *BIAS], stored=[wrong, right])
    served = plan.servings[LIGHT.path]
    assert served.dark is right
    assert served.dark_scale is None
    assert right in plan.sets
    assert wrong not in plan.sets
    assert any("from the library, 40 days from the lights" in note for note in served.notes)


def test_own_frames_go_before_a_stored_master_that_is_no_better():
    own = several(5, Kind.DARK)
    served = plan_calibration([LIGHT, *own], stored=[stored(Kind.DARK)]).servings[LIGHT.path]
    assert served.dark is not None
    assert served.dark.frames == tuple(own)


cameras = st.builds(
    CameraSetup,
    camera=st.sampled_from([None, "Moth 26", "moth  26", "Beetle 9"]),
    binning=st.sampled_from([(1, 1), (2, 2)]),
    gain_setting=st.sampled_from([None, 0.0, 100.0]),
    offset_setting=st.sampled_from([None, 10.0, 30.0]),
    shape=st.sampled_from([(40, 60), (20, 30)]),
)
setups = st.builds(
    Setup,
    camera=cameras,
    telescope=st.sampled_from([None, "Long reflector", "Short refractor"]),
    focal_length_mm=st.sampled_from([None, 400.0, 2000.0, 2010.0]),
)
any_facts = st.fixed_dictionaries(
    {
        "setup": setups,
        "filter": st.sampled_from([None, "L", "Ha"]),
        "exposure_s": st.sampled_from([None, 0.0, 2.0, 150.0, 300.0, 302.0]),
        "temperature_c": st.sampled_from([None, -20.0, -10.0, -9.4, 5.0]),
        "rotator_deg": st.sampled_from([None, 0.0, 1.5, 90.0, 181.0]),
        "time": st.sampled_from([None, DUSK, DUSK - timedelta(days=3)]),
    }
)
calibrating = st.sampled_from([Kind.BIAS, Kind.DARK, Kind.DARK_FLAT, Kind.FLAT])
nights = st.lists(st.tuples(calibrating, any_facts), max_size=12)


def of_night(night):
    return [frame(kind, **facts) for kind, facts in night]


@given(night=nights, facts=any_facts)
def test_whatever_serves_breaks_no_rule_and_none_that_may_is_better(night, facts):
    light = frame(Kind.LIGHT, **facts)
    plan = plan_calibration([light, *of_night(night)])
    served = plan.servings[light.path]
    for chosen, kind in ((served.bias, Kind.BIAS), (served.flat, Kind.FLAT)):
        able = [s for s in plan.sets if s.kind is kind and not broken_rules(light, s)]
        assert (chosen is None) == (not able)
        if chosen is not None:
            assert preference(light, chosen) == min(preference(light, s) for s in able)
    if served.dark is not None:
        assert not broken_rules(light, served.dark)
        assert served.dark.exposure_s
    else:
        assert any("no dark serves them" in p.what for p in served.problems)
    assert all(p.what and p.why and p.remedy for p in served.problems)


@given(night=nights, facts=any_facts, other=st.tuples(calibrating, any_facts))
def test_frames_that_may_not_serve_change_nothing(night, facts, other):
    light = frame(Kind.LIGHT, **facts)
    frames = [light, *of_night(night)]
    stranger = frame(other[0], **other[1])
    (alone,) = calibration_sets([stranger])
    assume((light.kind, alone.kind) in RULES and broken_rules(light, alone))
    served = plan_calibration(frames, stored=[]).servings[light.path]
    again = plan_calibration(frames, stored=[kept(alone, 9)])
    others = again.servings[light.path]
    assert (others.bias, others.dark, others.flat) == (served.bias, served.dark, served.flat)


@given(facts=any_facts)
def test_frames_taken_alike_always_serve(facts):
    facts = facts | {"exposure_s": 300.0}
    light = frame(Kind.LIGHT, **facts)
    frames = [frame(kind, **facts) for kind in (Kind.BIAS, Kind.DARK, Kind.FLAT)]
    served = plan_calibration([light, *frames]).servings[light.path]
    assert [served.bias, served.dark, served.flat] == list(calibration_sets(frames))
    assert served.dark_scale is None
    assert served.problems == ()


@given(one=cameras, other=cameras)
def test_whether_cameras_agree_does_not_depend_on_their_order(one, other):
    assert cameras_agree(one, other) == cameras_agree(other, one)
    assert cameras_agree(one, one)


@pytest.mark.parametrize(
    "other",
    [
        {"trim_section": "[1:50,1:40]"},
        {"overscan_section": "[51:60,1:40]"},
        {"pedestal_adu": -300.0},
    ],
)
def test_frames_whose_zero_is_cut_or_shifted_otherwise_never_meet(other):
    lights = [frame(Kind.LIGHT, filter="L", target="Lantern", **other)]
    calibration = [*BIAS, *several(3, Kind.DARK), *several(3, Kind.FLAT, filter="L")]
    plan = plan_calibration([*lights, *calibration])
    served = plan.servings[lights[0].path]
    assert (served.bias, served.dark, served.flat) == (None, None, None)
    alike = [replace(one, **other) for one in calibration]
    both = plan_calibration([*lights, *calibration, *alike]).servings[lights[0].path]
    for one in (both.bias, both.dark, both.flat):
        assert {frame.path for frame in one.frames} <= {frame.path for frame in alike}


def test_servings_do_not_depend_on_which_light_came_first():
    options = MatchingOptions(dark_doubling_c=6.0)
    darks = several(3, Kind.DARK, temperature_c=20.0)
    lights = [
        frame(Kind.LIGHT, filter="L", target="Lantern", temperature_c=t) for t in (10.4, 10.0, 9.6)
    ]
    scales = []
    for order in (lights, lights[::-1]):
        plan = plan_calibration([*order, *BIAS, *darks], options=options)
        scales.append([plan.servings[one.path].dark_scale for one in lights])
    assert scales[0] == scales[1]
    wanted = [2 ** ((t - 20) / 6) for t in (10.4, 10.0, 9.6)]
    assert scales[0] == pytest.approx(wanted, rel=1e-3)
