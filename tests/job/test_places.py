"""Where targets stand, against published values and astropy."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import erfa
import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time

from stackbench.frames.records import CameraSetup, Frame, Kind, PixelLayout, Pointing, Setup, Site
from stackbench.job.places import coming_chance, next_chance, next_noon, sky_places
from stackbench.job.skies import (
    ASTRONOMICAL_DEG,
    CIVIL_DEG,
    NAUTICAL_DEG,
    Horizon,
    moon_at,
    sun_at,
)

GREENWICH = Site(latitude_deg=51.4779, longitude_deg=0.0, height_m=46.0)
SITE = Site(latitude_deg=46.3, longitude_deg=8.7, height_m=1200.0)


def light(time, pointing, *, site=SITE, name="a"):
    return Frame(
        path=Path(f"/night/{name}.fits"),
        size_bytes=0,
        modified_ns=0,
        layout=PixelLayout(hdu=0, shape=(2, 2), bitpix=16),
        kind=Kind.LIGHT,
        setup=Setup(camera=CameraSetup(shape=(2, 2))),
        time=time,
        site=site,
        pointing=pointing,
        exposure_s=0.0,
    )


def test_a_galaxy_over_greenwich_stands_where_astropy_puts_it():
    # (10.6847083, +41.26875) at 2024-10-01 22:00 UTC: altitude 67.278°, azimuth 104.506°
    # (astropy)
    moment = datetime(2024, 10, 1, 22, tzinfo=UTC)
    frame = light(moment, Pointing(ra_deg=10.6847083, dec_deg=41.26875), site=GREENWICH)
    place = sky_places([frame])[frame.path]
    assert place.altitude_deg == pytest.approx(67.278, abs=0.01)
    assert place.azimuth_deg == pytest.approx(104.506, abs=0.02)


def test_all_angles_agree_with_astropy():
    rng = np.random.default_rng(1)
    start = datetime(2025, 3, 1, 18, tzinfo=UTC)
    frames = [
        light(
            start + timedelta(hours=float(rng.uniform(0, 200))),
            Pointing(ra_deg=float(rng.uniform(0, 360)), dec_deg=float(rng.uniform(-40, 85))),
            name=str(n),
        )
        for n in range(30)
    ]
    place = EarthLocation.from_geodetic(SITE.longitude_deg, SITE.latitude_deg, SITE.height_m)
    for frame in frames:
        found = sky_places([frame])[frame.path]
        moment = Time(frame.time)
        star = SkyCoord(frame.pointing.ra_deg, frame.pointing.dec_deg, unit="deg")
        seen = star.transform_to(AltAz(obstime=moment, location=place))
        moon = get_body("moon", moment, place)
        assert found.altitude_deg == pytest.approx(seen.alt.deg, abs=0.02)
        apart = (found.azimuth_deg - seen.az.deg + 180) % 360 - 180
        assert abs(apart) * math.cos(seen.alt.rad) < 0.02
        # 0.9 s of UT1 and what precession does between the axes of date
        sidereal = moment.sidereal_time("apparent", longitude=place.lon).deg
        assert found.moon_separation_deg == pytest.approx(
            star.separation(SkyCoord(moon.ra, moon.dec)).deg, abs=1.1
        )
        assert -180 <= found.hour_angle_deg <= 180
        expected = (sidereal - frame.pointing.ra_deg + 180) % 360 - 180
        off = (found.hour_angle_deg - expected + 180) % 360 - 180
        assert abs(off) < 0.5 / math.cos(math.radians(frame.pointing.dec_deg))


def geocentric(times, place_m):
    """Give right ascension and declination of date, degrees, seen from the Earth's centre."""
    pole = Site(latitude_deg=90.0, longitude_deg=0.0, height_m=-6356752.0)
    horizon = Horizon(pole, times)
    tt = times / 86400 + 69.184 / 86400
    equinox = erfa.pnm06a(2440587.5, tt[0]).T @ np.array([1.0, 0.0, 0.0])
    # the hour angle of the equinox is sidereal time
    _, _, (sidereal, hour_angle), _ = Horizon(pole, times.repeat(2)).look_deg(
        np.stack([equinox * 1e20, place_m[0]])
    )
    return (sidereal - hour_angle) % 360, horizon.altitudes_deg(place_m)[0]


def test_the_sun_in_october_1992():
    # α 13h13m30.75s, δ −7°47′01.7″ apparent at 1992-10-13 0 h TD: Meeus 1998, Astronomical
    # Algorithms, example 25.b (from memory)
    moment = datetime(1992, 10, 13, tzinfo=UTC) - timedelta(seconds=59)
    times = np.array([moment.timestamp()])
    right_ascension, declination = geocentric(times, sun_at(times))
    # light time and aberration move the Sun by 20.5″ along the ecliptic: 1.3 s, and 8″ in
    # declination
    hms = 13 * 3600 + 13 * 60 + 30.75
    assert right_ascension * 240 == pytest.approx(hms, abs=1.5)
    assert declination == pytest.approx(-(7 + 47 / 60 + 1.7 / 3600), abs=10 / 3600)


def test_the_moon_in_april_1992():
    # α 134.68847°, δ +13.76837°, 67.86 % lit, at 1992-04-12 0 h TD: Meeus 1998, examples
    # 47.a and 48.a (from memory)
    moment = datetime(1992, 4, 12, tzinfo=UTC) - timedelta(seconds=59)
    times = np.array([moment.timestamp()])
    moon, lit = moon_at(times)
    right_ascension, declination = geocentric(times, moon)
    assert right_ascension == pytest.approx(134.68847, abs=0.002)
    assert declination == pytest.approx(13.76837, abs=0.002)
    assert lit[0] == pytest.approx(0.6786, abs=1e-3)
    assert np.linalg.norm(moon[0]) / 1000 == pytest.approx(368409.7, abs=50)


@pytest.mark.parametrize(
    ("altitude", "clock"),
    # 51.4779° N 0° E 46 m, 2024-03-20, UTC, without refraction (astropy)
    [
        (-0.8333, (18, 13, 49)),
        (CIVIL_DEG, (18, 47, 10)),
        (NAUTICAL_DEG, (19, 26, 38)),
        (ASTRONOMICAL_DEG, (20, 7, 48)),
    ],
)
def test_the_sun_sets_over_greenwich(altitude, clock):
    times = np.array([datetime(2024, 3, 20, *clock, tzinfo=UTC).timestamp()])
    sun = Horizon(GREENWICH, times).altitudes_deg(sun_at(times))[0]
    # the Sun sinks by 0.15° a minute there: within 4 s
    assert sun == pytest.approx(altitude, abs=0.01)


def test_twilights_end_by_definition():
    # Hong Kong Observatory, "What is twilight?"
    assert (CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG) == (-6.0, -12.0, -18.0)


def test_sidereal_time_at_greenwich():
    # 1987 April 10, 0 h UT: mean 13h10m46.3668s, apparent 13h10m46.1351s: Meeus 1998,
    # Astronomical Algorithms, example 12.a (from memory); astropy has 46.370 s for the mean
    times = np.array([datetime(1987, 4, 10, tzinfo=UTC).timestamp()])
    tt = times / 86400 + 55.184 / 86400
    # the equinox of date, in whose hour angle sidereal time is counted
    equinox = erfa.pnm06a(2440587.5, tt[0]).T @ np.array([1.0, 0.0, 0.0])
    _, _, hour_angle, _ = Horizon(GREENWICH, times).look_deg(equinox[None, :] * 1e20)
    apparent_s = hour_angle[0] % 360 * 240
    assert apparent_s == pytest.approx(13 * 3600 + 10 * 60 + 46.1351, abs=0.01)
    mean_s = apparent_s - math.degrees(erfa.ee06a(2440587.5, tt[0])) * 240
    assert mean_s == pytest.approx(13 * 3600 + 10 * 60 + 46.3668, abs=0.01)


def test_the_next_chance_is_dark_and_high_all_the_way():
    pointing = Pointing(ra_deg=83.8, dec_deg=-5.4)
    after = datetime(2025, 10, 1, 12, tzinfo=UTC)
    found = next_chance(SITE, pointing, after=after, least_altitude_deg=30.0)
    assert found is not None
    assert found.start >= after
    place = EarthLocation.from_geodetic(SITE.longitude_deg, SITE.latitude_deg, SITE.height_m)
    target = SkyCoord(pointing.ra_deg, pointing.dec_deg, unit="deg")
    for moment in (found.start, found.end - timedelta(minutes=10)):
        horizon = AltAz(obstime=Time(moment), location=place)
        assert target.transform_to(horizon).alt.deg > 29.9
        assert get_body("sun", Time(moment), place).transform_to(horizon).alt.deg < -17.9
    assert found.hours >= 1.0


@pytest.mark.parametrize(
    ("now", "date"),
    [
        (datetime(2025, 9, 1, tzinfo=UTC), 9),  # a clock that is behind the night
        (datetime(2025, 12, 9, 15, tzinfo=UTC), 9),
        (datetime(2025, 12, 20, 9, tzinfo=UTC), 20),  # the morning after one that is over
        (datetime(2025, 12, 20, 15, tzinfo=UTC), 20),
        (datetime(2025, 12, 21, 0, tzinfo=UTC), 20),  # in the midst of one
    ],
)
def test_the_coming_chance_is_not_over_yet(now, date):
    pointing = Pointing(ra_deg=83.8, dec_deg=-5.4)
    after = datetime(2025, 12, 9, 12, tzinfo=UTC)
    found = coming_chance(SITE, pointing, after=after, now=now, least_altitude_deg=30.0)
    assert found is not None
    assert (found.start.month, found.start.day) == (12, date)
    assert found.end > now


def test_a_target_that_is_out_in_summer_is_found_later_in_the_year():
    pointing = Pointing(ra_deg=83.8, dec_deg=-5.4)
    after = datetime(2025, 5, 15, 12, tzinfo=UTC)
    found = next_chance(SITE, pointing, after=after, least_altitude_deg=30.0)
    assert found is not None
    assert datetime(2025, 8, 15, tzinfo=UTC) < found.start < datetime(2025, 11, 1, tzinfo=UTC)


def test_what_never_rises_that_high_has_no_chance():
    after = datetime(2025, 1, 1, tzinfo=UTC)
    low = Pointing(ra_deg=0.0, dec_deg=-60.0)
    assert next_chance(SITE, low, after=after, least_altitude_deg=30.0) is None


def test_frames_without_a_site_have_no_place():
    assert sky_places([light(datetime(2025, 1, 1, tzinfo=UTC), None)]) == {}


@pytest.mark.parametrize(
    ("longitude", "time", "noon"),
    [
        (0.0, datetime(2031, 12, 1, 16, tzinfo=UTC), datetime(2031, 12, 2, 12, tzinfo=UTC)),
        (0.0, datetime(2031, 12, 2, 4, tzinfo=UTC), datetime(2031, 12, 2, 12, tzinfo=UTC)),
        (150.0, datetime(2031, 12, 1, 16, tzinfo=UTC), datetime(2031, 12, 2, 2, tzinfo=UTC)),
        (-120.0, datetime(2031, 12, 1, 3, tzinfo=UTC), datetime(2031, 12, 1, 20, tzinfo=UTC)),
    ],
)
def test_the_next_noon_is_that_of_the_place(longitude, time, noon):
    # the Sun takes an hour for 15 degrees (mean solar time, by definition)
    assert next_noon(Site(latitude_deg=50.0, longitude_deg=longitude), time) == noon
