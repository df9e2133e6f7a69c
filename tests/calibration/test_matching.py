"""Which calibration frames serve which light: rules of the trade.

Common practice, no source, unless a test says otherwise.
"""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackbench.calibration.agreement import trains_agree
from stackbench.calibration.matching import plan_calibration
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
    assert not trains_agree(LONG, SHORT)
    assert trains_agree(LONG, replace(LONG, telescope=None, focal_length_mm=1995.0))


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
