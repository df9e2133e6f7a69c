"""Pairings of lights and flats with calibration frames, and what is missing, in words."""

from collections.abc import Sequence

from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.calibration.rules import Rule, broken_rules, rule_for
from stackbench.calibration.traits import EXPOSURE, NIGHT, TEMPERATURE
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.words import celsius, counted, seconds


def light_notes(
    light: Frame, serving: Serving, *, bias_adu: float | None = None
) -> tuple[str, ...]:
    """Explain what serves a light.

    Parameters
    ----------
    light : Frame
        The light.
    serving : Serving
        What serves it.
    bias_adu : float, optional
        Level of the master bias, ADU, once it is known.

    Returns
    -------
    tuple of str
        One line each for bias, dark and flat, as far as they are used.
    """
    notes: list[str] = []
    bias, dark, flat = serving.bias, serving.dark, serving.flat
    if bias is not None and (dark is None or serving.dark_scale is not None):
        notes.append(f"bias: {frames_of(bias)}{_age(light, bias)}")
    if dark is not None:
        notes.append(f"dark: {_dark_note(light, dark, serving, bias_adu)}")
    if flat is not None:
        notes.append(f"flat: {frames_of(flat)}{_age(light, flat)}")
    return tuple(notes)


def _dark_note(light: Frame, dark: CalibrationSet, serving: Serving, bias_adu: float | None) -> str:
    text = f"{frames_of(dark)}{_age(light, dark)}"
    same = rule_for(light.kind, dark.kind, EXPOSURE).excess(light, dark) == 0
    warm = rule_for(light.kind, dark.kind, TEMPERATURE).excess(light, dark) > 0
    if serving.dark_scale is not None:
        level = "" if bias_adu is None else f" {bias_adu:.0f} ADU"
        lights = f"lights of {seconds(light.exposure_s)}"
        if warm:
            lights += f" at {celsius(light.temperature_c)}"
        return (
            f"{text}, for {lights}: bias{level} removed first, scaled by {serving.dark_scale:.3g}"
        )
    if not same or warm:
        return f"{text}, subtracted as taken"
    return f"{text}, matches in exposure and temperature; its bias stays inside"


def flat_notes(flat: Frame, serving: Serving, *, dark_missing: bool = False) -> tuple[str, ...]:
    """Explain what is subtracted from a flat.

    Parameters
    ----------
    flat : Frame
        The flat.
    serving : Serving
        What serves it.
    dark_missing : bool
        Whether the flat is so long that its dark signal should have been taken.

    Returns
    -------
    tuple of str
        One line.
    """
    dark = serving.dark
    if dark is None:
        return ("flat: bias subtracted" + (", no dark-flats found" if dark_missing else ""),)
    name = f"{dark.kind} {frames_of(dark)}"
    if serving.dark_scale is not None:
        return (f"flat: bias and {name} × {serving.dark_scale:.3g} subtracted",)
    same = rule_for(flat.kind, dark.kind, EXPOSURE).excess(flat, dark) == 0
    return (f"flat: {name} subtracted" + ("" if same else " as taken, no bias found"),)


def _set_to(value: float | None) -> str:
    """Write a temperature as coolers are set: lights that differ by less want the same darks."""
    return "their temperature" if value is None else f"{round(value)} °C".replace("-", "−")


def no_dark(light: Frame, sets: Sequence[CalibrationSet]) -> Problem:
    """Say that no dark serves a light.

    Parameters
    ----------
    light : Frame
        The light.
    sets : sequence of CalibrationSet
        All sets.

    Returns
    -------
    Problem
        With the darks that come nearest, and what forbids them.
    """
    return Problem(
        what=f"{lights_of(light)}: no dark serves them",
        why=_why_no_dark(light, sets),
        remedy=f"take darks of {seconds(light.exposure_s)} "
        f"at {_set_to(light.temperature_c)} with these settings; "
        "until then hot pixels are left to the rejection",
    )


def no_flat(light: Frame, sets: Sequence[CalibrationSet]) -> Problem:
    """Say that no flat serves a light.

    Parameters
    ----------
    light : Frame
        The light.
    sets : sequence of CalibrationSet
        All sets.

    Returns
    -------
    Problem
        With the flats that come nearest, and what forbids them.
    """
    nothing = f"no flat through {_filter(light.filter)} with this camera and telescope was found"
    return Problem(
        what=f"{lights_of(light)}: no flat serves them",
        why=_nearly(light, sets, Kind.FLAT) or nothing,
        remedy="take flats through this filter before the camera is turned or removed; "
        "until then vignetting and dust stay in the stack",
    )


def no_bias_nor_dark(light: Frame, sets: Sequence[CalibrationSet]) -> Problem:
    """Say that neither bias nor dark serves a light.

    Parameters
    ----------
    light : Frame
        The light.
    sets : sequence of CalibrationSet
        All sets.

    Returns
    -------
    Problem
        With the bias frames that come nearest, and what forbids them.
    """
    nothing = "no bias or dark of the same camera, binning, gain, offset and size was found"
    return Problem(
        what=f"{lights_of(light)}: neither bias nor dark frames serve them",
        why=_nearly(light, sets, Kind.BIAS) or nothing,
        remedy="add bias and dark frames taken with these settings; "
        "until then the bias level stays in the lights",
    )


def nothing_under_flat(flat: Frame, sets: Sequence[CalibrationSet]) -> Problem:
    """Say that nothing can be subtracted from a flat.

    Parameters
    ----------
    flat : Frame
        The flat.
    sets : sequence of CalibrationSet
        All sets.

    Returns
    -------
    Problem
        With the bias frames that come nearest, and what forbids them.
    """
    return Problem(
        what=f"flats through {_filter(flat.filter)}: nothing to subtract from them",
        why=_nearly(flat, sets, Kind.BIAS)
        or "no bias, dark-flat or dark of the same camera settings was found",
        remedy="add bias frames: a flat with its bias level inside corrects too little",
    )


def dark_off_in_temperature(light: Frame, dark: CalibrationSet) -> Problem:
    """Warn of a dark taken much warmer or colder than the light.

    Parameters
    ----------
    light : Frame
        The light.
    dark : CalibrationSet
        The dark that serves it.

    Returns
    -------
    Problem
        With both temperatures.
    """
    gap = rule_for(light.kind, dark.kind, TEMPERATURE).gap(light, dark) or 0.0
    return Problem(
        what=f"{lights_of(light)}: the nearest dark is {gap:.1f} °C away",
        why=f"the lights were taken at {_set_to(light.temperature_c)}, "
        f"the darks at {celsius(dark.temperature_c)}",
        remedy=f"take darks at {_set_to(light.temperature_c)}, or set dark_doubling_c to have "
        "them scaled; until then the dark signal is removed only in part",
    )


def dark_unscaled(light: Frame, dark: CalibrationSet) -> Problem:
    """Warn of a dark of another exposure that cannot be scaled.

    Parameters
    ----------
    light : Frame
        The light.
    dark : CalibrationSet
        The dark that serves it.

    Returns
    -------
    Problem
        With the remedy.
    """
    return Problem(
        what=f"{lights_of(light)}: the dark of {seconds(dark.exposure_s)} is subtracted as it is",
        why="its exposure differs and no bias frames were found to scale it with",
        remedy=f"add bias frames, or darks of {seconds(light.exposure_s)}",
    )


def frames_of(one: CalibrationSet) -> str:
    """Name the frames of a set.

    Parameters
    ----------
    one : CalibrationSet
        The set.

    Returns
    -------
    str
        Such as "12 frames of 300 s at −10.0 °C".
    """
    parts = [counted(one.depth, "frame")]
    if one.kind in (Kind.DARK, Kind.DARK_FLAT):
        parts.append(f"of {seconds(one.exposure_s)}")
    if one.kind is not Kind.FLAT and one.temperature_c is not None:
        parts.append(f"at {celsius(one.temperature_c)}")
    if one.night is not None and one.kind is Kind.FLAT:
        parts.append(f"of {one.night.isoformat()}")
    if one.stored is not None:
        parts.append("from the library")
    return " ".join(parts)


def lights_of(light: Frame) -> str:
    """Name the lights that have the needs of one of them.

    Parameters
    ----------
    light : Frame
        One of them.

    Returns
    -------
    str
        Target, filter and exposure.
    """
    target = light.target or "unnamed target"
    return f"lights of {target} through {_filter(light.filter)}, {seconds(light.exposure_s)}"


def _age(frame: Frame, one: CalibrationSet) -> str:
    """Say how far apart in time they were taken, where that is known and not 0."""
    days = rule_for(frame.kind, one.kind, NIGHT).gap(frame, one)
    return f", {counted(round(days), 'day')} from the lights" if days else ""


def _why_no_dark(light: Frame, sets: Sequence[CalibrationSet]) -> str:
    if not light.exposure_s:
        return "the lights' headers give no exposure time"
    darks = [one for one in sets if one.kind is Kind.DARK and not broken_rules(light, one)]
    if darks:
        untimed = sum(one.depth for one in darks)
        return f"the {counted(untimed, 'dark')} of this camera: no exposure time in the header"
    nothing = "no dark of the same camera, binning, gain, offset and size was found"
    return _nearly(light, sets, Kind.DARK) or nothing


def _nearly(frame: Frame, sets: Sequence[CalibrationSet], kind: Kind) -> str | None:
    """Name the set that misses by the fewest rules, and by which; None when all are far off.

    Frames of another camera, size, telescope or filter are no near misses:
    nobody meant them for this frame.
    """
    misses = [
        (broken, one)
        for one in sets
        if one.kind is kind and (broken := broken_rules(frame, one)) and _same_gear(broken)
    ]
    if not misses:
        return None
    broken, one = min(misses, key=lambda miss: (len(miss[0]), -miss[1].depth))
    theirs = " and ".join(rule.trait.words(rule.trait.of_set(one)) for rule in broken)
    mine = " and ".join(rule.trait.words(rule.trait.of_frame(frame)) for rule in broken)
    frames = "lights" if frame.kind is Kind.LIGHT else "flats"
    return f"the {kind} frames ({frames_of(one)}) have {theirs}, the {frames} {mine}"


_ADJUSTED = frozenset(
    {
        "gain setting",
        "offset setting",
        "read mode",
        "binning",
        "frame size",
        "image area",
        "pedestal",
        "rotation",
    }
)


def _same_gear(broken: Sequence[Rule]) -> bool:
    return all(rule.trait.name in _ADJUSTED for rule in broken)


def _filter(name: str | None) -> str:
    return f"filter {name}" if name else "no named filter"
