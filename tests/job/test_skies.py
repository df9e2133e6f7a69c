"""Sun, Moon and altitudes against published values and astropy."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
from astropy.time import Time

from stackbench.frames.records import (
    CameraSetup,
    Frame,
    Kind,
    PixelLayout,
    Pointing,
    Setup,
    Site,
)
from stackbench.job.skies import night_sky

SITE = Site(latitude_deg=46.3, longitude_deg=8.7, height_m=1200.0)
EVENING = datetime(2023, 10, 21, 16, 30, tzinfo=UTC)


def light(time, *, site=SITE, pointing=None, airmass=None, name="a"):
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
        airmass=airmass,
        exposure_s=60.0,
    )


def test_sun_and_moon_stand_where_astropy_says():
    lights = [light(EVENING + timedelta(hours=2 * n), name=str(n)) for n in range(7)]
    sky = night_sky(lights)
    times = [one.time_s for one in sky.moments]
    np.testing.assert_allclose(np.diff(times), 60.0)
    place = EarthLocation.from_geodetic(SITE.longitude_deg, SITE.latitude_deg, SITE.height_m)
    moments = Time(times[::60], format="unix")
    horizon = AltAz(obstime=moments, location=place)
    # 0.01° is a fiftieth of the Sun's width; light time and aberration are left out
    for body in ("sun", "moon"):
        altitudes = get_body(body, moments, place).transform_to(horizon).alt.deg
        ours = [getattr(one, f"{body}_deg") for one in sky.moments[::60]]
        np.testing.assert_allclose(ours, altitudes, atol=0.01)


def test_the_illuminated_share_of_the_moon():
    # 0.6786 at 1992 April 12, 0 h TD: Meeus 1998, Astronomical Algorithms,
    # example 48.a (from memory)
    moment = datetime(1992, 4, 12, tzinfo=UTC) - timedelta(seconds=59)
    sky = night_sky([light(moment)])
    assert sky.moments[0].moonlit == pytest.approx(0.6786, abs=1e-3)


def test_a_light_is_as_high_as_astropy_says_in_the_middle_of_its_exposure():
    pointing = Pointing(ra_deg=83.8, dec_deg=-5.4)
    moment = datetime(2023, 12, 1, 23, 10, tzinfo=UTC)
    one = light(moment, pointing=pointing, airmass=1.0)
    place = EarthLocation.from_geodetic(SITE.longitude_deg, SITE.latitude_deg, SITE.height_m)
    horizon = AltAz(obstime=Time(moment + timedelta(seconds=30)), location=place)
    altitude = SkyCoord(83.8, -5.4, unit="deg").transform_to(horizon).alt.deg
    assert night_sky([one]).altitudes_deg[one.path] == pytest.approx(altitude, abs=0.01)


def test_without_a_site_the_airmass_tells_the_altitude_and_nothing_else_is_known():
    # sec z = 2 at z = 60° (plane-parallel air)
    one, other = light(EVENING, site=None, airmass=2.0), light(EVENING, site=None, name="b")
    sky = night_sky([one, other])
    assert sky.moments == ()
    assert sky.altitudes_deg == pytest.approx({one.path: 30.0})
    assert sky.at(EVENING) is None


def test_the_sky_is_known_within_the_stretches_of_lights_only():
    first, second = light(EVENING), light(EVENING + timedelta(days=1), name="b")
    sky = night_sky([second, first])
    assert sky.at(EVENING) is not None
    assert sky.at(second.time) is not None
    assert sky.at(EVENING + timedelta(hours=5)) is None
    assert sky.at(None) is None
    assert len(sky.moments) < 10
