"""How well calibration frames match, in words."""

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from stackbench.calibration.records import Serving
from stackbench.frames.records import Frame, Kind
from stackbench.job.matches import Quality, matches
from tests.support.calibration import set_of, setup_of

SHAPE = (4, 4)
NIGHT = date(2031, 5, 2)
DARK = replace(set_of(Kind.DARK, 9, SHAPE, exposure_s=120.0), temperature_c=-10.0, night=NIGHT)
FLAT = replace(set_of(Kind.FLAT, 7, SHAPE, filter="L"), night=NIGHT)
BIAS = replace(set_of(Kind.BIAS, 30, SHAPE), night=NIGHT)


def light(exposure_s=120.0, temperature_c=-10.2):
    (one, *_) = set_of(Kind.LIGHT, 1, SHAPE).frames
    assert isinstance(one, Frame)
    return replace(
        one,
        path=Path("/night/light.fits"),
        setup=setup_of(SHAPE),
        filter="L",
        exposure_s=exposure_s,
        temperature_c=temperature_c,
        time=datetime(2031, 5, 2, 23, 0, tzinfo=UTC),
    )


def test_a_dark_as_taken_makes_the_bias_unnecessary():
    bias, dark, flat = matches(Serving(bias=BIAS, dark=DARK, flat=FLAT), [light()])
    assert (bias.quality, dark.quality, flat.quality) == (Quality.GOOD,) * 3
    assert bias.words == "inside the dark, not needed by itself"
    assert (
        dark.words == "9 frames, 120 s as the lights, at −10.0 °C as the lights, of the same night"
    )
    assert flat.words == "7 frames, through L, of the same night"


@pytest.mark.parametrize(
    ("dark", "scale", "words"),
    [
        (
            replace(DARK, exposure_s=300.0),
            0.4,
            "300 s for lights of 120 s, bias removed first, scaled by 0.4",
        ),
        (replace(DARK, exposure_s=300.0), None, "300 s for lights of 120 s, not scaled"),
        (replace(DARK, temperature_c=-5.0), None, "at −5.0 °C, 5.2 °C warmer than the lights"),
        (replace(DARK, temperature_c=None), None, "temperature unknown"),
    ],
)
def test_a_dark_of_other_exposure_or_temperature_is_told_with_reserve(dark, scale, words):
    _, match, _ = matches(Serving(bias=BIAS, dark=dark, dark_scale=scale), [light()])
    assert match.quality is Quality.FAIR
    assert words in match.words


def test_age_is_told_in_days():
    old = replace(FLAT, night=date(2031, 3, 1))
    late = replace(BIAS, night=date(2031, 5, 3))
    bias, _, flat = matches(Serving(bias=late, flat=old), [light()])
    assert bias.words == "30 frames, 1 day later"
    assert flat.quality is Quality.FAIR
    assert "62 days earlier, dust may have moved since" in flat.words


def test_what_is_missing_is_told():
    assert [one.quality for one in matches(Serving(), [light()])] == [Quality.MISSING] * 3
