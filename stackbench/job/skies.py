"""Where the Sun and the Moon stood during a night, and how high the telescope pointed.

ERFA, the library that astropy's coordinates rest on, is called directly: with
UT1 taken as UTC (they differ by less than 0.9 s) nothing has to be looked up
in tables that go out of date, or fetched.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.records import Frame, Site
from stackbench.frames.times import mid_exposure

# The Sun's altitude where one phase of twilight ends (by definition, as of
# the Hong Kong Observatory's "What is twilight?").
CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG = -6.0, -12.0, -18.0

_STEP_S = 60.0
# Two stretches of lights with more time between them are sampled apart.
_APART_S = 3 * 3600.0
_UNIX_EPOCH_JD = 2440587.5
_DAY_S = 86400.0
# TT − UTC since 2017; a leap second more or less moves the Moon by half an arcsecond.
_TT_AHEAD_S = 69.184
_AU_M = 149_597_870_700.0  # IAU 2012 resolution B2
_FAR_M = 1e16


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyMoment:
    """Sun and Moon at one moment, s since 1970 UTC.

    Altitudes of the centres above the horizon, degrees, as if there were no
    air. `moonlit` is the illuminated share of the Moon's disc, 0 to 1.
    """

    time_s: float
    sun_deg: float
    moon_deg: float
    moonlit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSky:
    """The sky over a night's lights; empty where the headers give no site or time.

    `moments` are in order, a minute apart within each stretch of lights.
    `altitudes_deg` is the altitude of each light in the middle of its
    exposure, by path: computed where site, time and pointing are known, else
    from the airmass in the header.
    """

    moments: tuple[SkyMoment, ...] = ()
    altitudes_deg: Mapping[Path, float] = field(default_factory=dict)

    def at(self, time: datetime | None) -> SkyMoment | None:
        """Tell the sky at some moment.

        Parameters
        ----------
        time : datetime or None
            The moment.

        Returns
        -------
        SkyMoment or None
            The nearest one known; None when that is further than a step away.
        """
        if time is None or not self.moments:
            return None
        moment = time.timestamp()
        nearest = min(self.moments, key=lambda one: abs(one.time_s - moment))
        return nearest if abs(nearest.time_s - moment) <= _STEP_S else None


NO_SKY = NightSky()


def night_sky(frames: Sequence[Frame]) -> NightSky:
    """Compute the sky over a night's lights.

    Parameters
    ----------
    frames : sequence of Frame
        All frames of the job; those that look at the sky count.

    Returns
    -------
    NightSky
        What the headers allow to know.
    """
    moments: list[SkyMoment] = []
    altitudes = {
        frame.path: math.degrees(math.asin(1 / max(frame.airmass, 1.0)))
        for frame in frames
        if frame.airmass is not None
    }
    for site, stretch in _stretches(frames):
        start = min(time for _, time in stretch)
        stop = max(time + (frame.exposure_s or 0.0) for frame, time in stretch)
        times = np.arange(start, stop + _STEP_S, _STEP_S)
        moments += _moments(site, times)
        altitudes |= _altitudes(site, stretch)
    return NightSky(
        moments=tuple(sorted(moments, key=lambda one: one.time_s)), altitudes_deg=altitudes
    )


def _stretches(frames: Sequence[Frame]) -> Iterator[tuple[Site, list[tuple[Frame, float]]]]:
    """Part the frames that have a site and a time where there are long gaps."""
    timed = sorted(
        (
            (frame, frame.time.timestamp())
            for frame in frames
            if frame.site is not None and frame.time is not None
        ),
        key=lambda one: one[1],
    )
    stretch: list[tuple[Frame, float]] = []
    for frame, time in timed:
        if stretch and (time - stretch[-1][1] > _APART_S or frame.site != stretch[-1][0].site):
            yield _site_of(stretch), stretch
            stretch = []
        stretch.append((frame, time))
    if stretch:
        yield _site_of(stretch), stretch


def _site_of(stretch: Sequence[tuple[Frame, float]]) -> Site:
    site = stretch[0][0].site
    if site is None:
        raise ValueError("a frame without a site is in no stretch")
    return site


def sun_at(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Tell where the Sun stands at some moments.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Seconds since 1970 UTC.

    Returns
    -------
    ndarray, shape (n, 3)
        From the Earth's centre, metres, along the axes of the ICRS.
    """
    import erfa  # type: ignore[import-untyped]

    earth, _ = erfa.epv00(_UNIX_EPOCH_JD, (times + _TT_AHEAD_S) / _DAY_S)
    places: NDArray[np.float64] = -earth["p"] * _AU_M
    return places


def moon_at(times: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Tell where the Moon stands at some moments, and how far it is lit.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Seconds since 1970 UTC.

    Returns
    -------
    places : ndarray, shape (n, 3)
        From the Earth's centre, metres, along the axes of the ICRS.
    moonlit : ndarray, shape (n,)
        The illuminated share of its disc, 0 to 1.
    """
    import erfa

    sun = sun_at(times)
    moon = erfa.moon98(_UNIX_EPOCH_JD, (times + _TT_AHEAD_S) / _DAY_S)["p"] * _AU_M
    # lit is (1 + cos of the angle at the Moon) / 2
    # (Meeus 1998, Astronomical Algorithms, eq. 48.1; from memory)
    cosine = (unit(-moon) * unit(sun - moon)).sum(axis=-1)
    return moon, (1 + cosine) / 2


def _moments(site: Site, times: NDArray[np.float64]) -> Iterator[SkyMoment]:
    horizon = Horizon(site, times)
    moon, moonlit = moon_at(times)
    for time, sun_deg, moon_deg, lit in zip(
        times.tolist(),
        horizon.altitudes_deg(sun_at(times)).tolist(),
        horizon.altitudes_deg(moon).tolist(),
        moonlit.tolist(),
        strict=True,
    ):
        yield SkyMoment(time_s=time, sun_deg=sun_deg, moon_deg=moon_deg, moonlit=lit)


def _altitudes(site: Site, stretch: Sequence[tuple[Frame, float]]) -> dict[Path, float]:
    pointed = [
        (frame.path, middle.timestamp(), frame.pointing)
        for frame, _ in stretch
        if frame.pointing is not None and (middle := mid_exposure(frame)) is not None
    ]
    if not pointed:
        return {}
    ra, dec = np.radians([[one.ra_deg, one.dec_deg] for _, _, one in pointed]).T
    stars = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)
    horizon = Horizon(site, np.array([time for _, time, _ in pointed]))
    altitudes = horizon.altitudes_deg(stars * _FAR_M).tolist()
    return {path: altitude for (path, _, _), altitude in zip(pointed, altitudes, strict=True)}


class Horizon:
    """The horizon of a site at some moments.

    Precession and nutation are those of the middle moment: within half a year
    of it they move by less than half an arcminute.

    Parameters
    ----------
    site : Site
        The place.
    times : ndarray, shape (n,)
        The moments, seconds since 1970 UTC.
    """

    def __init__(self, site: Site, times: NDArray[np.float64]) -> None:
        import erfa

        ut1 = _UNIX_EPOCH_JD, times / _DAY_S
        tt = _UNIX_EPOCH_JD, (times + _TT_AHEAD_S) / _DAY_S
        self._to_date = erfa.pnm06a(_UNIX_EPOCH_JD, float(np.mean(tt[1])))
        sidereal = erfa.gst06(*ut1, *tt, self._to_date)
        longitude, latitude = math.radians(site.longitude_deg), math.radians(site.latitude_deg)
        self._latitude = latitude
        self._local_sidereal = sidereal + longitude
        self._up = _turned(
            (math.cos(latitude) * math.cos(longitude), math.cos(latitude) * math.sin(longitude)),
            math.sin(latitude),
            sidereal,
        )
        x, y, z = erfa.gd2gc(1, longitude, latitude, site.height_m or 0.0)
        self._place = _turned((x, y), z, sidereal)

    def altitudes_deg(self, places_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Tell how high things stand.

        Parameters
        ----------
        places_m : ndarray, shape (n, 3) or (1, 3)
            Where they lie from the Earth's centre, metres, ICRS axes.

        Returns
        -------
        ndarray, shape (n,)
            Degrees above the horizon, as if there were no air.
        """
        seen = self._seen(places_m)
        altitudes: NDArray[np.float64] = np.degrees(np.arcsin((seen * self._up).sum(axis=-1)))
        return altitudes

    def look_deg(
        self, places_m: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Tell where things stand.

        Parameters
        ----------
        places_m : ndarray, shape (n, 3)
            Where they lie from the Earth's centre, metres, ICRS axes.

        Returns
        -------
        altitude, azimuth, hour_angle, parallactic : ndarray, shape (n,)
            Degrees. Azimuth from north through east, 0 to 360; hour angle from
            the meridian westwards, -180 to 180; the parallactic angle at the thing from
            the pole to the zenith, positive in the west.
        """
        import erfa

        seen = self._seen(places_m)
        ra, dec = np.arctan2(seen[..., 1], seen[..., 0]), np.arcsin(seen[..., 2])
        hour_angle = np.remainder(self._local_sidereal - ra + np.pi, 2 * np.pi) - np.pi
        azimuth, altitude = erfa.hd2ae(hour_angle, dec, self._latitude)
        parallactic = erfa.hd2pa(hour_angle, dec, self._latitude)
        return (
            np.degrees(altitude),
            np.degrees(azimuth) % 360,
            np.degrees(hour_angle),
            np.degrees(parallactic),
        )

    def _seen(self, places_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give directions from the site, along the axes of the equator of date."""
        return unit(places_m @ self._to_date.T - self._place)


def _turned(xy: tuple[float, float], z: float, angle: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn a place on the Earth by its rotation."""
    cosine, sine = np.cos(angle), np.sin(angle)
    x, y = xy
    return np.stack([x * cosine - y * sine, x * sine + y * cosine, np.full_like(angle, z)], axis=-1)


def unit(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give vectors the length 1.

    Parameters
    ----------
    vectors : ndarray, shape (..., 3)
        None of them 0.

    Returns
    -------
    ndarray, shape (..., 3)
        Their directions.
    """
    lengths: NDArray[np.float64] = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return vectors / lengths
