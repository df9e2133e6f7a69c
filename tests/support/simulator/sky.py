"""The hour and the air: sidereal time, airmass, and how a night's air varies."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from stackbench.frames.records import Pointing, Site
from tests.support.simulator.plan import AirPlan

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)


def sidereal_angle_deg(time: datetime, site: Site) -> float:
    """Give the local mean sidereal time as an angle, degrees.

    Linear part of Meeus, Astronomical Algorithms, 2nd ed., eq. 12.4 (from memory).
    """
    days = (time - _J2000).total_seconds() / 86400
    return (280.46061837 + 360.98564736629 * days + site.longitude_deg) % 360


def airmass(time: datetime, site: Site, pointing: Pointing) -> float | None:
    """Give the airmass (Kasten & Young 1989, Appl. Opt. 28, 4735), None below the horizon."""
    hour_angle = math.radians(sidereal_angle_deg(time, site) - pointing.ra_deg)
    latitude, declination = math.radians(site.latitude_deg), math.radians(pointing.dec_deg)
    sine = math.sin(latitude) * math.sin(declination)
    sine += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    height = math.degrees(math.asin(sine))
    if height <= 0:
        return None
    return float(1 / (sine + 0.50572 * (height + 6.07995) ** -1.6364))


def sun_altitude_deg(time: datetime, site: Site) -> float:
    """Give the Sun's altitude without refraction, to a few hundredths of a degree.

    Low-precision formulas of the Astronomical Almanac, section C (from memory).
    """
    days = (time - _J2000).total_seconds() / 86400
    anomaly = math.radians(357.528 + 0.9856003 * days)
    longitude = 280.460 + 0.9856474 * days
    longitude += 1.915 * math.sin(anomaly) + 0.020 * math.sin(2 * anomaly)
    along, tilt = math.radians(longitude), math.radians(23.439 - 4e-7 * days)
    declination = math.asin(math.sin(tilt) * math.sin(along))
    ascension = math.atan2(math.cos(tilt) * math.sin(along), math.cos(along))
    hour_angle = math.radians(sidereal_angle_deg(time, site)) - ascension
    latitude = math.radians(site.latitude_deg)
    sine = math.sin(latitude) * math.sin(declination)
    sine += math.cos(latitude) * math.cos(declination) * math.cos(hour_angle)
    return math.degrees(math.asin(sine))


def twilight_factor(sun_altitude: float) -> float:
    """Give the sky's brightness over that of the night.

    The Sun adds as much as the night sky has when it is 15° below the horizon,
    and ten times more with each 2.5° (common practice, no source).
    """
    return 1.0 + float(10 ** ((sun_altitude + 15.0) / 2.5))


@dataclass(frozen=True, slots=True, kw_only=True)
class AirNow:
    """The air during one sub, relative to its best: see `AirPlan`."""

    transparency: float
    seeing: float
    sky: float


def air_of_session(rng: np.random.Generator, air: AirPlan, count: int) -> list[AirNow]:
    """Give the air of each sub of one session in the order of time."""
    phase = rng.uniform(0, 1, 3)
    moments = np.linspace(0, 1, count)
    clear = 1 - air.transparency_drift * np.sin(np.pi * (moments + phase[0])) ** 2
    clear = clear + rng.normal(0, air.transparency_jitter, count)
    seeing = 1 + air.seeing_drift * np.sin(2 * np.pi * (0.6 * moments + phase[1]))
    seeing = seeing * (1 + rng.normal(0, air.seeing_jitter, count))
    sky = 1 + air.sky_drift * np.sin(2 * np.pi * (0.5 * moments + phase[2]))
    return [
        AirNow(transparency=float(t), seeing=float(s), sky=float(b))
        for t, s, b in zip(clear, seeing, sky, strict=True)
    ]
