"""The order of a night: which frame is taken when, and in what circumstances."""

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import PurePosixPath

import numpy as np

from stackbench.frames.records import Kind
from tests.support.simulator.faults import Circumstances, Dawn, Fault, spoilt
from tests.support.simulator.geometry import Matrix, similarity
from tests.support.simulator.headers import SUFFIX
from tests.support.simulator.plan import Dialect, FilterPlan, MountPlan, NightPlan, SessionPlan
from tests.support.simulator.profile import StarProfile
from tests.support.simulator.sky import (
    AirNow,
    air_of_session,
    sidereal_angle_deg,
    sun_altitude_deg,
    twilight_factor,
)

_FLATS_BEFORE_LIGHTS = timedelta(hours=2)
_DARKS_AFTER_LIGHTS = timedelta(minutes=20)
_BETWEEN_SUBS = timedelta(seconds=12)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedLight:
    """Where and how a sub sees the sky."""

    index: int
    session: int
    camera_angle_deg: float
    to_grid: Matrix
    state: Circumstances
    faults: tuple[Fault, ...]
    focus: int
    ambient_c: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlannedFrame:
    """One frame to be taken; `level_adu` is a flat's level over the bias."""

    path: PurePosixPath
    kind: Kind
    dialect: Dialect
    time: datetime
    exposure_s: float
    set_temperature_c: float
    filter: str | None = None
    level_adu: float | None = None
    light: PlannedLight | None = None


def planned_frames(plan: NightPlan, rng: np.random.Generator) -> list[PlannedFrame]:
    """Give all frames of a night: lights and flats of each session, then darks and bias."""
    frames: list[PlannedFrame] = []
    counter: Counter[str] = Counter()
    for number, session in enumerate(plan.sessions):
        if session.flats:
            frames.extend(_flats(plan, session, rng, counter))
        frames.extend(_lights(plan, number, rng, counter))
    frames.extend(_dark_frames(plan, frames[-1].time if frames else plan.sessions[0].start))
    return frames


def _lights(
    plan: NightPlan, number: int, rng: np.random.Generator, counter: Counter[str]
) -> Iterator[PlannedFrame]:
    """Take each filter in turn; flip between two rounds."""
    session = plan.sessions[number]
    rounds = max((f.lights for f in plan.filters), default=0)
    order = [(turn, f) for turn in range(rounds) for f in plan.filters if turn < f.lights]
    air = air_of_session(rng, plan.air, len(order))
    mount, time = plan.mount, session.start
    focused_at = time
    for step, (turn, filter_plan) in enumerate(order):
        flipped = mount.flip_after is not None and turn >= mount.flip_after * rounds
        angle = session.camera_angle_deg + step * mount.rotation_deg
        angle += 180.0 + mount.flip_angle_deg if flipped else 0.0
        middle = time + timedelta(seconds=filter_plan.exposure_s / 2)
        angle += _polar_turn_deg(plan, middle)
        if step in plan.focus.refocus_before:
            focused_at = time
        offset = _dither(rng, mount)
        if flipped:
            offset = (offset[0] + mount.flip_offset_px[0], offset[1] + mount.flip_offset_px[1])
        name = f"light {filter_plan.name}"
        index, counter[name] = counter[name], counter[name] + 1
        faults = _faults_of(plan, filter_plan.name, index, middle)
        state = _circumstances(plan, filter_plan, air[step], rng)
        state = _focused(plan, state, focused_at, middle)
        if plan.air.twilight:
            glow = twilight_factor(sun_altitude_deg(middle, plan.site))
            state = spoilt(state, Dawn(sky_factor=glow))
        for fault in faults:
            state = spoilt(state, fault)
        stem = f"{plan.target.replace(' ', '_')}_{filter_plan.name}_{index + 1:03d}"
        yield PlannedFrame(
            path=_named(plan, f"lights/{filter_plan.name}", stem, filter_plan.dialect, index),
            kind=Kind.LIGHT,
            dialect=filter_plan.dialect,
            time=time,
            exposure_s=filter_plan.exposure_s,
            set_temperature_c=plan.camera.temperature_c,
            filter=filter_plan.name,
            light=PlannedLight(
                index=index,
                session=number,
                camera_angle_deg=angle % 360,
                to_grid=similarity(plan.shape, angle_deg=angle, offset_px=offset),
                state=state,
                faults=faults,
                focus=12000
                - round(plan.focus.steps_c * _cooled_c(plan, session.start, focused_at)),
                ambient_c=_ambient_c(plan, session.start, middle),
            ),
        )
        time += timedelta(seconds=filter_plan.exposure_s) + _BETWEEN_SUBS


def _polar_turn_deg(plan: NightPlan, time: datetime) -> float:
    """Tell by how much the field is turned: ε sin(H − H_p) / cos δ."""
    hour_angle = sidereal_angle_deg(time, plan.site) - plan.pointing.ra_deg
    sine = math.sin(math.radians(hour_angle - plan.mount.polar_hour_deg))
    turn = plan.mount.polar_error_arcmin / 60 * sine
    return turn / math.cos(math.radians(plan.pointing.dec_deg))


def _faults_of(
    plan: NightPlan, filter_name: str, index: int, middle: datetime
) -> tuple[Fault, ...]:
    placed = [p.fault for p in plan.faults if (p.filter, p.index) == (filter_name, index)]
    return (*placed, *(s.fault for s in plan.spells if s.start <= middle <= s.end))


def _cooled_c(plan: NightPlan, since: datetime, time: datetime) -> float:
    return plan.air.cooling_c_h * (time - since).total_seconds() / 3600


def _ambient_c(plan: NightPlan, start: datetime, time: datetime) -> float | None:
    if plan.air.ambient_c is None:
        return None
    return round(plan.air.ambient_c - _cooled_c(plan, start, time), 2)


def _focused(
    plan: NightPlan, state: Circumstances, focused_at: datetime, time: datetime
) -> Circumstances:
    blur = plan.focus.drift_px_c * abs(_cooled_c(plan, focused_at, time))
    fwhm = state.profile.fwhm_px + blur
    return replace(state, profile=replace(state.profile, fwhm_px=fwhm))


def _dither(rng: np.random.Generator, mount: MountPlan) -> tuple[float, float]:
    radius = mount.dither_px * math.sqrt(rng.uniform())
    direction = rng.uniform(0, 2 * math.pi)
    return radius * math.cos(direction), radius * math.sin(direction)


def _circumstances(
    plan: NightPlan, filter_plan: FilterPlan, air: AirNow, rng: np.random.Generator
) -> Circumstances:
    optics = plan.optics
    profile = StarProfile(
        kind=optics.profile,
        fwhm_px=optics.fwhm_px * filter_plan.seeing_factor * air.seeing,
        axis_ratio=rng.uniform(*plan.mount.axis_ratio),
        angle_deg=rng.uniform(0, 180),
        beta=optics.beta,
    )
    return Circumstances(
        profile=profile,
        transparency=air.transparency,
        sky_e=filter_plan.sky_e_s * filter_plan.exposure_s * air.sky,
    )


def _flats(
    plan: NightPlan, session: SessionPlan, rng: np.random.Generator, counter: Counter[str]
) -> Iterator[PlannedFrame]:
    """Take flats in the evening twilight, at levels that fall with the light."""
    time = session.start - _FLATS_BEFORE_LIGHTS
    low, high = plan.flat_levels_adu
    for filter_plan in plan.filters:
        levels = np.linspace(high, low, filter_plan.flats) * rng.uniform(0.98, 1.02)
        for level in levels:
            name = f"flat {filter_plan.name}"
            index, counter[name] = counter[name], counter[name] + 1
            folder = f"calibration/flats/{filter_plan.name}"
            stem = f"flat_{filter_plan.name}_{index + 1:03d}"
            yield PlannedFrame(
                path=_named(plan, folder, stem, filter_plan.dialect, index),
                kind=Kind.FLAT,
                dialect=filter_plan.dialect,
                time=time,
                exposure_s=plan.flat_exposure_s,
                set_temperature_c=plan.camera.temperature_c,
                filter=filter_plan.name,
                level_adu=float(level),
            )
            time += timedelta(seconds=plan.flat_exposure_s + 6)


def _dark_frames(plan: NightPlan, last_light: datetime) -> Iterator[PlannedFrame]:
    time = last_light + _DARKS_AFTER_LIGHTS
    nominal = plan.camera.temperature_c
    sets = [(Kind.BIAS, 0.0, plan.bias, nominal, "bias")]
    for dark in plan.darks:
        warmth = nominal if dark.temperature_c is None else dark.temperature_c
        name = f"dark_{dark.exposure_s:g}s_{abs(warmth):g}{'m' if warmth < 0 else 'p'}"
        sets.append((Kind.DARK, dark.exposure_s, dark.count, warmth, name))
    sets.append((Kind.DARK_FLAT, plan.flat_exposure_s, plan.dark_flats, nominal, "dark-flat"))
    folders = {Kind.BIAS: "bias", Kind.DARK: "darks", Kind.DARK_FLAT: "dark-flats"}
    for kind, exposure_s, count, warmth, stem in sets:
        for index in range(count):
            folder = f"calibration/{folders[kind]}"
            yield PlannedFrame(
                path=_named(plan, folder, f"{stem}_{index + 1:03d}", plan.dialect, index),
                kind=kind,
                dialect=plan.dialect,
                time=time,
                exposure_s=exposure_s,
                set_temperature_c=warmth,
            )
            pause = plan.bias_every_s if kind is Kind.BIAS else 2
            time += timedelta(seconds=exposure_s + pause)


def _named(plan: NightPlan, folder: str, stem: str, dialect: Dialect, index: int) -> PurePosixPath:
    suffix = SUFFIX[dialect] + plan.suffixes[index % len(plan.suffixes)]
    return PurePosixPath(folder) / f"{stem}{suffix}"
