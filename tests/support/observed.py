"""Nights as they are measured, invented: what a diagnosis sees, and what is true.

Not pixels but measures: seeing that wanders, air that dims, a sky that changes,
a mount that dithers. Each fault is put in with a size that is known.
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from stackbench.frames.records import Pointing
from stackbench.review.camera import CameraRecord, DarkGlow, HotPixels
from stackbench.review.measures import SubMeasures
from stackbench.review.observations import Observation, SkyPlace
from stackbench.review.zerolevel import BiasLevels
from stackbench.stars.records import StarTable

DUSK = datetime(2031, 10, 14, 19, 0, tzinfo=UTC)
LATITUDE_DEG = 47.0
SHAPE = (2000, 3000)
SCALE = 1.5  # arcsec per px
CENTRE = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What is wrong with a night; the defaults are nothing.

    `focus_px_c` is FWHM gained per °C that the air cools, until refocused at
    the hours in `refocus_h`. `polar_arcmin` is the polar error with its
    hour angle `polar_hour_deg`. `tilt` is the change of FWHM from edge to
    edge, as a share. `dec_trail_px` trails subs along declination, from
    `trail_from_h` on. `cloud` is (from, to, share of light left), hours after
    dusk. `dawn_from_h` is when the sky starts to double every ten minutes.
    `dither_px` is the rms of the dither. `bias_adu_h` is the drift of the zero level,
    `glow_adu` how far a corner of the darks glows, and `grown` by which share
    hot pixels are more than half a year ago.
    """

    focus_px_c: float = 0.0
    refocus_h: tuple[float, ...] = ()
    polar_arcmin: float = 0.5
    polar_hour_deg: float = 30.0
    tilt: float = 0.0
    curvature: float = 0.0
    dec_trail_px: float = 0.0
    ra_trail_px: float = 0.0
    trail_from_h: float = 0.0
    bump_at_h: float | None = None
    wind_px: float = 0.0
    drift_arcsec_min: tuple[float, float] = (0.0, 0.0)
    cloud: tuple[float, float, float] | None = None
    dawn_from_h: float | None = None
    moonrise_h: float | None = None
    dither_px: float = 8.0
    warm_up_c: float = 0.0
    bias_adu_h: float = 0.0
    glow_adu: float = 3.0
    grown: float = 0.02


CLEAN = Faults()


def observed_night(
    rng,
    faults=CLEAN,
    *,
    hours=6.0,
    sub_s=240.0,
    filters=("L", "Ha", "OIII"),
    dec_deg=40.0,
    start_hour_angle_deg=-45.0,
    north_deg=None,
    flip=True,
    known_site=True,
    known_focuser=True,
    fwhm_px=3.0,
    stars=80,
):
    """Give the observations of one target's night."""
    count = int(hours * 3600 / (sub_s + 20))
    times = (np.arange(count) + 0.5) * (sub_s + 20) / 3600  # hours after dusk
    north = float(rng.uniform(0, 360)) if north_deg is None else north_deg
    seeing = np.exp(_wander(rng, count, 0.05, 12)) * rng.lognormal(0, 0.015, count)
    clear = np.exp(_wander(rng, count, 0.015, 15) + rng.normal(0, 0.008, count))
    sky_level = np.exp(_wander(rng, count, 0.06, 25))
    air_c = 12.0 - 1.2 * times + 0.3 * _wander(rng, count, 1.0, 20)
    focused_c = _focused(times, air_c, faults)
    ambient = air_c + rng.normal(0, 0.05, count)
    centre = _WalkingCentre(rng, faults)
    subs = []
    for index in range(count):
        name = filters[index % len(filters)]
        hour_angle = start_hour_angle_deg + 15.041 * times[index]
        place = _place(hour_angle, dec_deg, times[index], faults)
        airmass = _airmass(place.altitude_deg)
        share = {"L": 1.0, "Ha": 0.97, "OIII": 1.04}.get(name, 1.0)
        fwhm = fwhm_px * share * seeing[index] * airmass**0.6
        fwhm += faults.focus_px_c * abs(air_c[index] - focused_c[index])
        light = clear[index] * 10 ** (-0.4 * 0.2 * (airmass - 1)) * _cloud(times[index], faults)
        sky = {"L": 900.0, "Ha": 60.0, "OIII": 70.0}.get(name, 500.0) * sky_level[index]
        sky *= airmass**0.5 * _glow(times[index], place, faults)
        flipped = flip and hour_angle > 0
        trail = _trail(rng, times[index], sub_s, faults, north)
        table = _star_table(rng, stars, fwhm, trail, faults, flipped)
        trailed = _median_shape(table)
        subs.append(
            Observation(
                path=Path(f"/night/{name}_{index:03d}.fits"),
                target="Lantern",
                filter=name,
                time=DUSK + timedelta(hours=float(times[index])),
                exposure_s=sub_s,
                kept=True,
                measures=SubMeasures(
                    fwhm_px=trailed[0],
                    fwhm_arcsec=trailed[0] * SCALE,
                    eccentricity=trailed[1],
                    elongation_deg=trailed[2],
                    stars=int(rng.poisson(300 * light**0.8)),
                    sky_adu=float(sky),
                    noise_adu=float(math.sqrt(sky + 30)),
                    transparency=float(light),
                    exposure_s=sub_s,
                    matched=60,
                    rms_px=0.15,
                ),
                concentration=trailed[3],
                stars=table,
                shape=SHAPE,
                scale_arcsec_px=SCALE,
                to_grid=centre.matrix(
                    times[index], north, _rotation(rng, hour_angle, dec_deg, faults), flipped
                ),
                north_deg=north,
                mirrored=False,
                pointing=Pointing(ra_deg=30.0, dec_deg=dec_deg),
                place=place if known_site else None,
                airmass=airmass if known_site else None,
                sensor_temperature_c=-10.0
                + faults.warm_up_c * math.exp(-times[index] / 0.3)
                + float(rng.normal(0, 0.05)),
                ambient_temperature_c=float(ambient[index]),
                focus_position=5000.0 + 40 * round(float(12.0 - focused_c[index]), 1)
                if known_focuser
                else None,
            )
        )
    return subs


def observed_camera(rng, faults=CLEAN, *, lights=(), biases=20, apart_min=3.0):
    """Give what the calibration frames of a night tell of the camera of its lights."""
    minutes = apart_min * np.arange(biases)
    levels = 500 + faults.bias_adu_h * minutes / 60 + rng.normal(0, 0.1, biases)
    dark = "dark 240 s −10.0 °C"
    before = int(rng.poisson(900))
    # some flicker about the limit
    gone, new = (int(rng.poisson(share * before)) for share in (0.03, 0.03 + faults.grown))
    return CameraRecord(
        camera="Quorlan Q26M",
        biases=(
            BiasLevels(
                times=tuple(DUSK - timedelta(minutes=float(90 - one)) for one in minutes),
                levels_adu=tuple(float(level) for level in levels),
                temperatures_c=tuple(float(t) for t in rng.normal(-10, 0.05, biases)),
                read_noise_adu=4.4,
                lights=lights,
            ),
        ),
        glows=(
            DarkGlow(
                dark=dark,
                glow_adu=float(faults.glow_adu * rng.lognormal(0, 0.05)),
                error_adu=0.3,
                place="last rows right",
                gain=0.8,
                light_noise_adu=25.0,
                lights=lights,
            ),
        ),
        hot=(
            HotPixels(
                dark=dark,
                now=before - gone + new,
                before=before,
                new=new,
                since=date(2031, 4, 20),
                warmer_c=float(rng.normal(0, 0.05)),
                lights=lights,
            ),
        ),
    )


def stripped(subs):
    """Take away all that only some headers give."""
    return [
        replace(
            one,
            place=None,
            airmass=None,
            pointing=None,
            north_deg=None,
            mirrored=None,
            ambient_temperature_c=None,
            sensor_temperature_c=None,
            focus_position=None,
        )
        for one in subs
    ]


def _wander(rng, count, sigma, length):
    """A slow change without a trend: an AR(1) walk of unit variance times sigma."""
    memory = math.exp(-1 / length)
    steps = rng.normal(0, math.sqrt(1 - memory**2), count)
    values = np.empty(count)
    last = rng.normal()
    for index in range(count):
        last = memory * last + steps[index]
        values[index] = last
    return sigma * values


def _focused(times, air_c, faults):
    """Tell at which air temperature the focus was set last, for each time."""
    if not faults.focus_px_c:
        return air_c.copy()
    out = np.empty_like(air_c)
    pending = sorted(faults.refocus_h)
    at = air_c[0]
    for index, time in enumerate(times):
        while pending and time >= pending[0]:
            at = air_c[index]
            pending.pop(0)
        out[index] = at
    return out


def _place(hour_angle_deg, dec_deg, hours, faults):
    h, d, p = (math.radians(v) for v in (hour_angle_deg, dec_deg, LATITUDE_DEG))
    altitude = math.asin(math.sin(p) * math.sin(d) + math.cos(p) * math.cos(d) * math.cos(h))
    azimuth = math.atan2(
        -math.cos(d) * math.sin(h),
        math.sin(d) * math.cos(p) - math.cos(d) * math.sin(p) * math.cos(h),
    )
    parallactic = math.atan2(math.sin(h), math.tan(p) * math.cos(d) - math.sin(d) * math.cos(h))
    dawn = faults.dawn_from_h
    sun = -40.0 if dawn is None else min(-18.0 + (hours - dawn) * 9.0, 5.0)
    moon = -20.0 if faults.moonrise_h is None else (hours - faults.moonrise_h) * 12.0
    return SkyPlace(
        altitude_deg=math.degrees(altitude),
        azimuth_deg=math.degrees(azimuth) % 360,
        hour_angle_deg=hour_angle_deg,
        parallactic_deg=math.degrees(parallactic),
        sun_altitude_deg=sun,
        moon_altitude_deg=moon,
        moon_separation_deg=70.0,
        moon_illuminated=0.6,
    )


def _airmass(altitude_deg):
    # Kasten & Young 1989, Appl. Opt. 28, 4735, eq. 3
    return 1 / (
        math.sin(math.radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364
    )


def _cloud(hours, faults):
    if faults.cloud is None:
        return 1.0
    start, stop, left = faults.cloud
    return left if start <= hours <= stop else 1.0


def _glow(hours, place, faults):
    glow = 1.0
    if faults.dawn_from_h is not None and hours > faults.dawn_from_h:
        glow += 2 ** ((hours - faults.dawn_from_h) * 6) - 1
    if faults.moonrise_h is not None and place.moon_altitude_deg > 0:
        glow += 1.2 * math.sin(math.radians(place.moon_altitude_deg)) ** 0.5
    return glow


def _trail(rng, hours, sub_s, faults, north):
    """Give a sub's trail on the chip: length in px and direction in degrees, or None."""
    late = hours >= faults.trail_from_h
    if faults.bump_at_h is not None and abs(hours - faults.bump_at_h) < sub_s / 3600 / 1.8:
        return 3.5, float(rng.uniform(0, 180))
    if faults.wind_px:
        return abs(float(rng.normal(0, faults.wind_px))), float(rng.uniform(0, 180))
    if late and faults.dec_trail_px:
        return faults.dec_trail_px * float(rng.uniform(0.7, 1.3)), north % 180
    if late and faults.ra_trail_px:
        return faults.ra_trail_px * float(rng.uniform(0.7, 1.3)), (north + 90) % 180
    return None


def field_rotation(*, polar_error, hour_angle, polar_hour, declination):
    """Tell by how much a guided field has turned: ε sin(H − Hp) / cos δ, in the unit of ε."""
    return polar_error * math.sin(hour_angle - polar_hour) / math.cos(declination)


def _rotation(rng, hour_angle_deg, dec_deg, faults):
    """Give the field rotation in radians, and what registering errs by."""
    turn = field_rotation(
        polar_error=math.radians(faults.polar_arcmin / 60),
        hour_angle=math.radians(hour_angle_deg),
        polar_hour=math.radians(faults.polar_hour_deg),
        declination=math.radians(dec_deg),
    )
    return turn + float(rng.normal(0, 1.5e-5))


class _WalkingCentre:
    """Where the field's centre falls, sub after sub."""

    def __init__(self, rng, faults):
        self._rng = rng
        self._faults = faults

    def matrix(self, hours, north_deg, rotation, flipped):
        east, up = self._faults.drift_arcsec_min
        shift = self._rng.normal(0, self._faults.dither_px, 2)
        n = math.radians(north_deg)
        # the sky is not mirrored: east lies 90° from north, counter-clockwise
        to_north = np.array([math.cos(n), math.sin(n)])
        to_east = np.array([-math.sin(n), math.cos(n)])
        shift = shift + (east * to_east + up * to_north) * hours * 60 / SCALE
        angle = rotation + (math.pi if flipped else 0.0)
        turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
        matrix = np.eye(3)
        matrix[:2, :2] = turn
        matrix[:2, 2] = CENTRE + shift - turn @ CENTRE
        return matrix


def _star_table(rng, count, fwhm, trail, faults, flipped):
    ny, nx = SHAPE
    x, y = rng.uniform(0, nx, count), rng.uniform(0, ny, count)
    u, v = x / nx - 0.5, y / ny - 0.5
    width = fwhm * (1 + faults.tilt * u + faults.curvature * 4 * (u**2 + v**2) / 2)
    width = width * rng.lognormal(0, 0.03, count)
    # a star's own elongation by noise and optics, in a random direction
    variance = width**2 / 5.545
    own = rng.normal(0, 0.035, (2, count)) * variance
    xx, yy, xy = variance + own[0], variance - own[0], own[1]
    if trail is not None:
        length, direction = trail
        angle = math.radians(direction + (180 if flipped else 0))
        extra = length**2 / 12
        xx = xx + extra * math.cos(angle) ** 2
        yy = yy + extra * math.sin(angle) ** 2
        xy = xy + extra * math.cos(angle) * math.sin(angle)
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    a2, b2 = mean + half, mean - half
    flux = rng.lognormal(8, 1, count)
    return StarTable(
        x=x,
        y=y,
        flux=flux,
        peak=flux / 12,
        snr=np.sqrt(flux),
        fwhm_px=2.3548 * (a2 * b2) ** 0.25,
        eccentricity=np.sqrt(1 - b2 / a2),
        angle_deg=np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180,
    )


def _median_shape(table):
    """Sum a table up as measuring does: FWHM, eccentricity, direction, concentration."""
    e2 = table.eccentricity**2
    twice = np.radians(2 * table.angle_deg)
    # ellipticity components, whose mean is free of the bias of noise
    g = e2 / (2 - e2)
    one, two = float(np.median(g * np.cos(twice))), float(np.median(g * np.sin(twice)))
    common = math.hypot(one, two)
    typical = float(np.median(g))
    e = math.sqrt(2 * typical / (1 + typical))
    return (
        float(np.median(table.fwhm_px)),
        e,
        math.degrees(0.5 * math.atan2(two, one)) % 180,
        min(1.0, common / typical) if typical else 0.0,
    )
