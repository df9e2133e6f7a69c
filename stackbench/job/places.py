"""Where targets stand in the sky: of each light, and when they can next be seen."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from stackbench.frames.records import Frame, Pointing, Site
from stackbench.frames.times import mid_exposure
from stackbench.job.skies import ASTRONOMICAL_DEG, Horizon, moon_at, sun_at, unit
from stackbench.review.observations import SkyPlace
from stackbench.stars.records import Floats

_FAR_M = 1e16
_STEP_S = 600.0
_DAY_S = 86400.0
_SEARCHED_DAYS = 366
_LEAST_HOURS = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Chance:
    """A night in which a target stands high in the dark; times are UTC.

    `moon_hours` is for how long of it the Moon is up, `moon_illuminated` its
    lit share, 0 to 1.
    """

    start: datetime
    end: datetime
    hours: float
    highest_deg: float
    moon_hours: float
    moon_illuminated: float


def sky_places(frames: Sequence[Frame]) -> dict[Path, SkyPlace]:
    """Tell where target, Sun and Moon stood in the middle of each light.

    Parameters
    ----------
    frames : sequence of Frame
        Lights.

    Returns
    -------
    dict of Path to SkyPlace
        Of those whose headers give site, time and pointing.
    """
    by_site: dict[Site, list[tuple[Path, float, Pointing]]] = {}
    for frame in frames:
        middle = mid_exposure(frame)
        if frame.site is None or middle is None or frame.pointing is None:
            continue
        member = (frame.path, middle.timestamp(), frame.pointing)
        by_site.setdefault(frame.site, []).append(member)
    found: dict[Path, SkyPlace] = {}
    for site, members in by_site.items():
        found |= _places(site, members)
    return found


def next_chance(
    site: Site, pointing: Pointing, *, after: datetime, least_altitude_deg: float
) -> Chance | None:
    """Find the next night in which a target stands high in the dark for an hour.

    Parameters
    ----------
    site : Site
        The observer's place.
    pointing : Pointing
        The target.
    after : datetime
        When to begin looking, UTC; by daylight, since the days that follow are
        looked at one by one.
    least_altitude_deg : float
        How high the target must stand.

    Returns
    -------
    Chance or None
        From the first to the last ten minutes in which it does and the Sun is
        18° or more below the horizon; None when there is no such night in a year.
    """
    start = after.timestamp()
    # precession moves a target by less than a degree in a lifetime
    if 90.0 - abs(site.latitude_deg - pointing.dec_deg) < least_altitude_deg - 1.0:
        return None
    for day in range(_SEARCHED_DAYS):
        times = np.arange(start + day * _DAY_S, start + (day + 1) * _DAY_S, _STEP_S)
        found = _first_night(site, pointing, times, least_altitude_deg)
        if found is not None:
            return found
    return None


def coming_chance(
    site: Site,
    pointing: Pointing,
    *,
    after: datetime,
    now: datetime,
    least_altitude_deg: float,
) -> Chance | None:
    """Find the next night in which a target stands high in the dark, not over by now.

    Parameters
    ----------
    site : Site
        The observer's place.
    pointing : Pointing
        The target.
    after : datetime
        As for `next_chance`: when to begin looking at the earliest, UTC, by daylight.
    now : datetime
        UTC; a night that has begun is still one.
    least_altitude_deg : float
        How high the target must stand.

    Returns
    -------
    Chance or None
        None when there is no such night in a year.
    """
    day = timedelta(days=1)
    # whole days later it is daylight again
    begin = after + max(timedelta(0), (now - after) // day * day)
    chance = next_chance(site, pointing, after=begin, least_altitude_deg=least_altitude_deg)
    if chance is not None and chance.end <= now:
        return next_chance(site, pointing, after=begin + day, least_altitude_deg=least_altitude_deg)
    return chance


def next_noon(site: Site, time: datetime) -> datetime:
    """Tell when it is next noon by the Sun, within a quarter of an hour.

    Parameters
    ----------
    site : Site
        The observer's place.
    time : datetime
        UTC.

    Returns
    -------
    datetime
        UTC, later than `time` by a day at most.
    """
    # the Sun moves by 15 degrees an hour; the equation of time is left out
    midnight = time.replace(hour=0, minute=0, second=0, microsecond=0)
    noon = midnight + timedelta(hours=12 - site.longitude_deg / 15)
    return noon + timedelta(days=(time - noon) // timedelta(days=1) + 1)


def _first_night(
    site: Site, pointing: Pointing, times: Floats, least_altitude_deg: float
) -> Chance | None:
    horizon = Horizon(site, times)
    target = horizon.altitudes_deg(_direction([pointing]) * _FAR_M)
    sun = horizon.altitudes_deg(sun_at(times))
    high = (target >= least_altitude_deg) & (sun <= ASTRONOMICAL_DEG)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(np.int8), [0]])))
    for first, stop in edges.reshape(-1, 2).tolist():
        hours = (stop - first) * _STEP_S / 3600
        if hours < _LEAST_HOURS:
            continue
        night = times[first:stop]
        moon, lit = moon_at(night)
        up = Horizon(site, night).altitudes_deg(moon) > 0
        begin = datetime.fromtimestamp(float(night[0]), UTC)
        return Chance(
            start=begin,
            end=begin + timedelta(hours=hours),
            hours=hours,
            highest_deg=float(target[first:stop].max()),
            moon_hours=float(np.count_nonzero(up)) * _STEP_S / 3600,
            moon_illuminated=float(lit[len(lit) // 2]),
        )
    return None


def _places(site: Site, members: Sequence[tuple[Path, float, Pointing]]) -> dict[Path, SkyPlace]:
    times = np.array([time for _, time, _ in members])
    stars = _direction([pointing for _, _, pointing in members])
    horizon = Horizon(site, times)
    moon, lit = moon_at(times)
    altitude, azimuth, hour_angle, parallactic = horizon.look_deg(stars * _FAR_M)
    separation = np.degrees(np.arccos(np.clip((unit(moon) * stars).sum(axis=-1), -1, 1)))
    columns = (
        altitude,
        azimuth,
        hour_angle,
        parallactic,
        horizon.altitudes_deg(sun_at(times)),
        horizon.altitudes_deg(moon),
        separation,
        lit,
    )
    return {
        path: SkyPlace(
            altitude_deg=values[0],
            azimuth_deg=values[1],
            hour_angle_deg=values[2],
            parallactic_deg=values[3],
            sun_altitude_deg=values[4],
            moon_altitude_deg=values[5],
            moon_separation_deg=values[6],
            moon_illuminated=values[7],
        )
        for (path, _, _), *values in zip(members, *(c.tolist() for c in columns), strict=True)
    }


def _direction(pointings: Sequence[Pointing]) -> Floats:
    ra = np.array([math.radians(one.ra_deg) for one in pointings])
    dec = np.array([math.radians(one.dec_deg) for one in pointings])
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)
