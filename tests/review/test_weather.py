"""Cloud, twilight and moonlight put into nights, and found again."""

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from stackbench.review.findings import Confidence
from stackbench.review.weather import magnitudes_lost, weather_findings
from tests.support.observed import DUSK, Faults, observed_night, stripped


def causes(findings):
    return [one.cause for one in findings]


def test_magnitudes_are_pogsons():
    # four magnitudes are a factor of 39.810717 (Pogson 1856, MNRAS 17, 12; from memory)
    assert magnitudes_lost(1 / 39.810717) == pytest.approx(4, abs=1e-8)
    assert magnitudes_lost(1.0) == 0
    assert all(math.isnan(magnitudes_lost(none)) for none in (None, 0.0, -0.1, math.nan))


@pytest.mark.parametrize("seed", range(5))
def test_a_cloud_is_found_with_its_times(seed):
    # 6 h 10 min to 6 h 40 min after 19:00 is 01:10 to 01:40
    faults = Faults(cloud=(6 + 1 / 6, 6 + 2 / 3, 0.45))
    night = observed_night(np.random.default_rng(seed), faults, hours=8.0)
    (cloud,) = weather_findings(night)
    assert cloud.cause == "cloud"
    assert cloud.confidence is Confidence.CERTAIN
    # to within the length of one sub and its pause
    slack = timedelta(seconds=260)
    assert abs(cloud.start - (DUSK + timedelta(hours=6, minutes=10))) <= slack
    assert abs(cloud.end - (DUSK + timedelta(hours=6, minutes=40))) <= slack
    assert cloud.figures[0].value == pytest.approx(0.55, abs=0.05)


def test_thin_cloud_is_found_without_times_of_sky_and_site():
    faults = Faults(cloud=(2.0, 2.6, 0.7))
    (cloud,) = weather_findings(stripped(observed_night(np.random.default_rng(3), faults)))
    assert cloud.cause == "cloud"
    assert "without lighting the sky" in cloud.text


@pytest.mark.parametrize("known", [True, False])
def test_dawn_is_found_at_the_end_only(known):
    night = observed_night(np.random.default_rng(4), Faults(dawn_from_h=5.0))
    night = night if known else stripped(night)
    (dawn,) = weather_findings(night)
    assert dawn.cause == "dawn"
    assert dawn.confidence is (Confidence.CERTAIN if known else Confidence.LIKELY)
    assert DUSK + timedelta(hours=5) <= dawn.start <= DUSK + timedelta(hours=5.5)
    assert night[-1].path in dawn.subs


def _last_sub(night, *, sky, sun_deg, light=1.0):
    """Change what the last sub of a night sees."""
    one = night[-1]
    measures = replace(
        one.measures,
        sky_adu=sky * one.measures.sky_adu,
        transparency=light * one.measures.transparency,
    )
    place = None if sun_deg is None else replace(one.place, sun_altitude_deg=sun_deg)
    return [*night[:-1], replace(one, measures=measures, place=place)]


def test_one_sub_in_dawn_is_told_where_the_sun_is_known():
    night = observed_night(np.random.default_rng(6))
    lit = _last_sub(night, sky=2.2, sun_deg=-15.0)
    (dawn,) = weather_findings(lit)
    assert (dawn.cause, dawn.subs) == ("dawn", (night[-1].path,))
    assert dawn.title.startswith("Dawn in the sub after ")
    assert dawn.evidence[0].startswith("sky 2.")
    mirrored = [replace(one, time=DUSK - (one.time - DUSK)) for one in lit]
    (dusk,) = weather_findings(mirrored)
    assert (dusk.cause, dusk.subs) == ("dusk", (night[-1].path,))


def test_one_bright_sub_without_the_sun_or_behind_cloud_is_no_dawn():
    night = observed_night(np.random.default_rng(6))
    for sun_deg in (None, -18.5, -30.0):
        assert weather_findings(_last_sub(night, sky=2.2, sun_deg=sun_deg)) == []
    clouded = weather_findings(_last_sub(night, sky=2.2, sun_deg=-15.0, light=0.5))
    assert causes(clouded) == ["cloud"]


def test_a_cloud_over_one_sub_tells_its_loss_once():
    night = observed_night(np.random.default_rng(6))
    (cloud,) = weather_findings(_last_sub(night, sky=1.0, sun_deg=-30.0, light=0.5))
    assert cloud.evidence[0].startswith("stars lost 5")
    assert "typically" not in cloud.evidence[0]


def test_the_rising_moon_is_told_by_what_it_does_to_the_sky():
    night = observed_night(np.random.default_rng(5), Faults(moonrise_h=3.0))
    (moon,) = weather_findings(night)
    assert moon.cause == "moonlight"
    assert abs(moon.start - (DUSK + timedelta(hours=3))) <= timedelta(seconds=400)
    assert 1.3 < moon.figures[0].value < 2.3


@pytest.mark.parametrize("seed", range(40))
def test_a_quiet_night_has_no_weather(seed):
    rng = np.random.default_rng(1000 + seed)
    night = observed_night(rng, hours=float(rng.uniform(2, 9)))
    assert causes(weather_findings(night)) == []
    assert causes(weather_findings(stripped(night))) == []


def test_few_subs_say_nothing():
    night = observed_night(np.random.default_rng(1), hours=0.4)
    assert weather_findings(night) == []
