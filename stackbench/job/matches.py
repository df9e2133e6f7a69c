"""How well what calibrates a group of lights matches them, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.calibration.rules import rule_for
from stackbench.calibration.sets import evening
from stackbench.calibration.traits import EXPOSURE, TEMPERATURE
from stackbench.frames.records import Frame, Kind
from stackbench.frames.words import celsius, counted, seconds

# Dust moves within weeks; a flat of another month is worth a second look
# (common practice, no source).
_OLD_FLAT_DAYS = 31


class Quality(StrEnum):
    """How well a set matches the lights that it serves."""

    GOOD = "good match"
    FAIR = "with reserve"
    MISSING = "missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """What serves lights as bias, dark or flat: how well, and why so."""

    kind: Kind
    quality: Quality
    words: str


def matches(serving: Serving, lights: Sequence[Frame]) -> tuple[Match, ...]:
    """Tell how well a serving matches the lights it is for.

    Parameters
    ----------
    serving : Serving
        What calibrates them.
    lights : sequence of Frame
        The lights, at least one.

    Returns
    -------
    tuple of Match
        For bias, dark and flat, in this order.
    """
    return _bias(serving, lights[0]), _dark(serving, lights), _flat(serving, lights[0])


def _bias(serving: Serving, light: Frame) -> Match:
    as_taken = serving.dark is not None and serving.dark_scale is None
    if as_taken:
        return Match(
            kind=Kind.BIAS, quality=Quality.GOOD, words="inside the dark, not needed by itself"
        )
    if serving.bias is None:
        return Match(kind=Kind.BIAS, quality=Quality.MISSING, words="none of these settings")
    words = [_frames(serving.bias), _age(light, serving.bias)]
    return Match(kind=Kind.BIAS, quality=Quality.GOOD, words=", ".join(filter(None, words)))


def _dark(serving: Serving, lights: Sequence[Frame]) -> Match:
    dark = serving.dark
    if dark is None:
        return Match(kind=Kind.DARK, quality=Quality.MISSING, words="none of these settings")
    exposure, exposure_fits = _exposure(serving, dark, lights)
    temperature, temperature_fits = _temperature(dark, lights)
    words = [_frames(dark), exposure, temperature, _age(lights[0], dark)]
    fits = exposure_fits and temperature_fits
    return Match(
        kind=Kind.DARK,
        quality=Quality.GOOD if fits else Quality.FAIR,
        words=", ".join(filter(None, words)),
    )


def _flat(serving: Serving, light: Frame) -> Match:
    flat = serving.flat
    if flat is None:
        return Match(
            kind=Kind.FLAT,
            quality=Quality.MISSING,
            words=f"none through {light.filter or 'no filter'} with this camera and telescope",
        )
    days = _days(light, flat)
    old = days is not None and abs(days) > _OLD_FLAT_DAYS
    words = [
        _frames(flat),
        f"through {flat.filter}" if flat.filter else "through no filter",
        _age(light, flat),
        "dust may have moved since" if old else "",
    ]
    return Match(
        kind=Kind.FLAT,
        quality=Quality.FAIR if old else Quality.GOOD,
        words=", ".join(filter(None, words)),
    )


def _frames(one: CalibrationSet) -> str:
    return counted(one.depth, "frame") + (" from the library" if one.stored is not None else "")


def _exposure(serving: Serving, dark: CalibrationSet, lights: Sequence[Frame]) -> tuple[str, bool]:
    theirs, wanted = seconds(dark.exposure_s), seconds(lights[0].exposure_s)
    scale = serving.dark_scale
    fits = rule_for(Kind.LIGHT, Kind.DARK, EXPOSURE).excess(lights[0], dark) == 0
    words = f"{theirs} as the lights" if fits else f"{theirs} for lights of {wanted}"
    if scale is not None:
        return f"{words}, bias removed first, scaled by {scale:.3g}", False
    return (words, True) if fits else (f"{words}, not scaled", False)


def _temperature(dark: CalibrationSet, lights: Sequence[Frame]) -> tuple[str, bool]:
    known = [light.temperature_c for light in lights if light.temperature_c is not None]
    if not known or dark.temperature_c is None:
        return "temperature unknown", False
    gap = dark.temperature_c - median(known)
    at = celsius(dark.temperature_c)
    if abs(gap) < 0.5:
        return f"at {at} as the lights", True
    side = "warmer" if gap > 0 else "colder"
    fits = abs(gap) <= rule_for(Kind.LIGHT, Kind.DARK, TEMPERATURE).tolerance
    return f"at {at}, {abs(gap):.1f} °C {side} than the lights", fits


def _days(light: Frame, one: CalibrationSet) -> int | None:
    night = evening(light)
    return None if night is None or one.night is None else (one.night - night).days


def _age(light: Frame, one: CalibrationSet) -> str:
    days = _days(light, one)
    if days is None:
        return "taken at an unknown time"
    if days == 0:
        return "of the same night"
    return f"{counted(abs(days), 'day')} {'later' if days > 0 else 'earlier'}"
