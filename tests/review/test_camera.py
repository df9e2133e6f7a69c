"""The cooler, the zero level, amplifier glow and hot pixels of invented cameras."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from stackbench.review.camera import (
    CameraRecord,
    DarkGlow,
    HotPixels,
    camera_findings,
    cooler_findings,
)
from stackbench.review.findings import Confidence, Topic
from stackbench.review.zerolevel import BiasLevels
from tests.support.observed import Faults, observed_camera, observed_night

LIGHTS = (Path("/night/L_001.fits"), Path("/night/L_002.fits"))
START = datetime(2031, 10, 14, 18, 0, tzinfo=UTC)
GLOW = DarkGlow(
    dark="dark 300 s −10.0 °C",
    glow_adu=60.0,
    error_adu=0.4,
    place="last rows right",
    gain=0.8,
    light_noise_adu=12.0,
    lights=LIGHTS,
)
HOT = HotPixels(
    dark="dark 300 s −10.0 °C",
    now=1500,
    before=1000,
    new=520,
    since=date(2031, 5, 2),
    warmer_c=0.1,
    lights=LIGHTS,
)


def biases(levels, *, minutes=2.0, **facts):
    """Give bias frames with these levels, so far apart in time."""
    known = {
        "times": tuple(START + timedelta(minutes=minutes * n) for n in range(len(levels))),
        "levels_adu": tuple(float(level) for level in levels),
        "temperatures_c": (-10.0,) * len(levels),
        "read_noise_adu": 4.4,
        "lights": LIGHTS,
    }
    return BiasLevels(**(known | facts))


def told(**facts):
    return camera_findings([CameraRecord(camera="Quorlan Q26M", **facts)])


def test_a_sensor_still_cooling_is_told_with_its_subs():
    night = observed_night(np.random.default_rng(4), Faults(warm_up_c=15.0))
    (found,) = cooler_findings(night)
    assert found.cause == "warm-up"
    assert "still cooling down" in found.title
    assert night[0].path in found.subs
    assert night[-1].path not in found.subs


def test_a_zero_level_that_drifts_is_told_with_its_slope():
    rng = np.random.default_rng(1)
    levels = 500 + 6.0 * np.arange(20) / 30 + rng.normal(0, 0.05, 20)
    (found,) = told(biases=(biases(levels),))
    assert (found.topic, found.cause) == (Topic.CAMERA, "bias drift")
    assert found.confidence is Confidence.CERTAIN
    slope, change = found.figures
    assert slope.value == pytest.approx(6.0, abs=4 * slope.uncertainty)
    # σ/√Σ(t − t̄)² of 0.05 ADU: textbook least squares
    hours = np.arange(20) / 30
    assert slope.uncertainty == pytest.approx(
        0.05 / np.sqrt(((hours - hours.mean()) ** 2).sum()), rel=0.6
    )
    assert change.value == pytest.approx(6.0 * 19 / 30, abs=0.2)
    assert "rose by 3.8 ADU within 38 min" in found.title
    assert "20 bias frames from 18:00 to 18:38 UTC" in found.evidence[0]
    assert len(found.evidence) == 1
    assert found.subs == LIGHTS


def test_a_drift_says_when_its_bias_frames_were_taken():
    drifting = biases(500 + np.arange(12.0))
    (found,) = told(biases=(drifting,))
    assert (found.start, found.end) == (drifting.times[0], drifting.times[-1])


def test_a_zero_level_that_falls_while_the_sensor_cools_says_both():
    temperatures = tuple(np.linspace(-4.0, -10.0, 10))
    levels = 500 - 0.8 * np.arange(10)
    (found,) = told(biases=(biases(levels, temperatures_c=temperatures),))
    assert "fell by 7.2 ADU" in found.title
    assert "−24.00" in found.evidence[0]
    assert "from −4.0 °C to −10.0 °C" in found.evidence[1]


def test_a_drift_that_does_no_harm_or_is_chance_is_not_told():
    rng = np.random.default_rng(2)
    steady = 500 + rng.normal(0, 0.05, 20)
    small = steady + np.linspace(0, 1.9, 20)  # within 2 ADU
    noisy = steady + np.linspace(0, 3.0, 20)  # within half of a coarse camera's read noise
    wandering = 500 + rng.normal(0, 5.0, 20)
    jumping = np.where(np.arange(20) == 19, 540.0, steady)
    assert told(biases=tuple(biases(one) for one in (steady, small, wandering, jumping))) == ()
    assert told(biases=(biases(noisy, read_noise_adu=8.0),)) == ()
    assert told(biases=(biases(500 + np.arange(7.0)),)) == ()  # too few
    assert told(biases=(biases(500 + np.arange(8.0), minutes=0.0),)) == ()  # one moment


def test_a_camera_that_settles_is_told():
    rng = np.random.default_rng(4)
    levels = 500 + 9 * np.exp(-np.arange(20) / 5) + rng.normal(0, 0.05, 20)
    (found,) = told(biases=(biases(levels),))
    assert "fell" in found.title


def test_levels_that_differ_at_random_are_no_drift():
    rng = np.random.default_rng(3)
    nights = [500 + rng.normal(0, 5.0, 10) for _ in range(300)]
    # 5 σ by Student's t with 8 degrees of freedom: 1 in 1000
    assert sum(bool(told(biases=(biases(one),))) for one in nights) <= 3


DAY = timedelta(days=1)


def test_a_zero_level_that_differs_between_evenings_is_told():
    rng = np.random.default_rng(14)
    first, second = biases(500 + rng.normal(0, 0.2, 8)), biases(506 + rng.normal(0, 0.2, 8))
    later = replace(
        second, times=tuple(one + DAY for one in second.times), lights=(Path("/night/L_101.fits"),)
    )
    for evenings in ((first, later), (later, first)):
        (found,) = told(biases=evenings)
        assert (found.topic, found.cause) == (Topic.CAMERA, "bias step")
        assert found.figures[0].value == pytest.approx(6.0, abs=0.5)
        # of a median, 1.25 times that of a mean, on either side; a scatter told by eight
        # frames is known to a quarter, and the larger of two goes for both
        expected = 1.2533 * 0.2 / np.sqrt(8) * np.sqrt(2)
        assert found.figures[0].uncertainty == pytest.approx(expected, rel=0.6)
        assert found.start is None  # it belongs to no moment
        assert set(found.subs) == {*LIGHTS, *later.lights}
        assert f"on {START:%Y-%m-%d}: {np.median(first.levels_adu):.2f} ±" in found.evidence[0]
        assert (
            f"on {START + DAY:%Y-%m-%d}: {np.median(later.levels_adu):.2f} ±" in found.evidence[1]
        )


@pytest.mark.parametrize("seed", range(100))
def test_evenings_that_differ_by_chance_or_without_harm_are_not_told(seed):
    rng = np.random.default_rng(900 + seed)
    # medians of few frames that scatter by up to 1 ADU, and a step of less than 2
    evenings = [
        biases(
            500
            + rng.normal(0, 0.3)
            + rng.normal(0, rng.choice([0.1, 1.0]), int(rng.integers(2, 20)))
        )
        for _ in range(int(rng.integers(2, 5)))
    ]
    found = told(biases=tuple(evenings))
    assert [one.cause for one in found if one.cause == "bias step"] == []


def test_glow_that_darks_take_away_is_told_by_its_noise():
    (found,) = told(glows=(replace(GLOW, dark="dark 60 s −10.0 °C", glow_adu=12.0), GLOW))
    assert (found.cause, found.confidence) == ("amplifier glow", Confidence.LIKELY)
    glow, added = found.figures
    assert (glow.value, glow.unit) == (60.0, "ADU")
    # Poisson noise of 48 electrons beside 9.6 e⁻: √(1 + 48/9.6²) − 1
    assert added.value == pytest.approx(np.sqrt(1 + 48 / 9.6**2) - 1)
    assert "60 ADU in the dark 300 s −10.0 °C, last rows right" in found.title
    assert "23 % more" in found.text
    # 9.6 electrons beside 92: 5.08 %, just told
    assert len(found.evidence) == 2
    assert "Nothing is wrong" in found.remedy
    assert found.subs == LIGHTS


@pytest.mark.parametrize(
    "harmless",
    [
        {"light_noise_adu": 40.0},
        {"glow_adu": 1.9, "light_noise_adu": 2.0},
        {"error_adu": 15.0},
        {"gain": None},
        {"light_noise_adu": 0.0},
    ],
)
def test_glow_that_adds_little_or_is_not_sure_is_not_told(harmless):
    assert told(glows=(replace(GLOW, **harmless),)) == ()


def test_new_hot_pixels_are_told_with_count_and_date():
    second = replace(HOT, dark="dark 60 s −10.0 °C", now=300, before=180, new=125)
    (found,) = told(hot=(second, HOT))
    assert (found.cause, found.confidence) == ("new hot pixels", Confidence.LIKELY)
    assert found.title == "520 pixels of the camera became hot since 2031-05-02"
    assert [one.value for one in found.figures] == [520, 1500, 1000]
    assert "520 are new and 20 are hot no more" in found.evidence[1]
    assert found.subs == LIGHTS


@pytest.mark.parametrize(
    "usual",
    [
        {"now": 1090, "new": 90},  # under a tenth
        {"now": 12, "before": 8, "new": 5},  # chance
        {"now": 1200, "new": 900},  # many flicker about the limit: 200 more of 900 and 700
        {"warmer_c": 2.0},  # 4^(2/6) = 1.59 times as many
    ],
)
def test_hot_pixels_that_come_and_go_are_not_told(usual):
    assert told(hot=(replace(HOT, **usual),)) == ()


@pytest.mark.parametrize("seed", range(20))
def test_a_quiet_camera_says_nothing(seed):
    rng = np.random.default_rng(6000 + seed)
    assert cooler_findings(observed_night(rng)) == []
    assert camera_findings([observed_camera(rng)]) == ()
