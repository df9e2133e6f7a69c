"""Which sets of calibration frames serve a light or a flat, and why.

The rules are facts of the trade (common practice, no source): a bias or dark
must come from the same camera in the same mode; a flat from the same optical
train and filter besides; dark current depends on exposure and temperature.
"""

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackbench.calibration.agreement import cameras_agree, trains_agree, values_confirmed
from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.calibration.sets import calibration_sets, evening
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.words import celsius, counted, seconds

# Two exposures are the same within this share, whatever the shutter's jitter.
_SAME_EXPOSURE = 0.01
# A dark serves as taken within this many °C; beyond, the gap is warned of.
# Dark current doubles every 5 to 8 °C (common practice, no source), so that
# 2 °C change it by about a quarter.
TEMPERATURE_GAP_C = 2.0
# A flat shorter than this gathers no dark signal worth a missing dark-flat.
_SHORT_FLAT_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPlan:
    """All calibration sets of a job, and what serves each light and flat.

    `servings` maps the path of each light and flat to its Serving; frames
    that are served alike share one.
    """

    sets: tuple[CalibrationSet, ...]
    servings: Mapping[Path, Serving]


def plan_calibration(frames: Sequence[Frame]) -> CalibrationPlan:
    """Choose the calibration of every light and every flat.

    Parameters
    ----------
    frames : sequence of Frame
        All frames of the job, of any kind.

    Returns
    -------
    CalibrationPlan
        The sets found, and the serving of each light and flat by path.
    """
    sets = calibration_sets(frames)
    by_need: dict[Hashable, Serving] = {}
    servings: dict[Path, Serving] = {}
    for frame in frames:
        if frame.kind not in (Kind.LIGHT, Kind.FLAT):
            continue
        need = _need(frame)
        if need not in by_need:
            serve = _serve_light if frame.kind is Kind.LIGHT else _serve_flat
            by_need[need] = serve(frame, sets)
        servings[frame.path] = by_need[need]
    return CalibrationPlan(sets=sets, servings=servings)


def _serve_light(light: Frame, sets: Sequence[CalibrationSet]) -> Serving:
    notes: list[str] = []
    problems: list[Problem] = []
    bias = _nearest(light, _agreeing(light, sets, Kind.BIAS))
    dark, scale = _dark_for(light, _agreeing(light, sets, Kind.DARK), bias, notes, problems)
    flat = _flat_for(light, sets, notes, problems)
    if bias is not None and (dark is None or scale is not None):
        notes.insert(0, f"bias: {_frames_of(bias)}")
    if bias is None and dark is None:
        problems.append(
            Problem(
                what=f"{_lights(light)}: neither bias nor dark frames serve them",
                why="no bias or dark of the same camera, binning, gain, offset and size was found",
                remedy="add bias and dark frames taken with these settings; "
                "until then the bias level stays in the lights",
            )
        )
    return Serving(
        bias=bias,
        dark=dark,
        dark_scale=scale,
        flat=flat,
        notes=tuple(notes),
        problems=tuple(problems),
    )


def _dark_for(
    light: Frame,
    darks: Sequence[CalibrationSet],
    bias: CalibrationSet | None,
    notes: list[str],
    problems: list[Problem],
) -> tuple[CalibrationSet | None, float | None]:
    usable = [d for d in darks if d.exposure_s]
    if not usable or light.exposure_s is None:
        problems.append(
            Problem(
                what=f"{_lights(light)}: no dark serves them",
                why=_why_no_dark(light, darks),
                remedy=f"take darks of {seconds(light.exposure_s)} "
                f"at {celsius(light.temperature_c)} with these settings; "
                "until then hot pixels are left to the rejection",
            )
        )
        return None, None
    dark = min(usable, key=lambda d: _dark_distance(light, d))
    gap = _gap(light.temperature_c, dark.temperature_c)
    text = f"dark: {_frames_of(dark)}"
    same_exposure = _same_exposure(light.exposure_s, dark.exposure_s)
    warm = gap is not None and gap > TEMPERATURE_GAP_C
    if warm:
        problems.append(
            Problem(
                what=f"{_lights(light)}: the nearest dark is {gap:.1f} °C away",
                why=f"the lights were taken at {celsius(light.temperature_c)}, "
                f"the darks at {celsius(dark.temperature_c)}",
                remedy=f"take darks at {celsius(light.temperature_c)}; until then the dark "
                "signal is removed only in part",
            )
        )
    if same_exposure and not warm:
        notes.append(f"{text}, matches in exposure and temperature; its bias stays inside")
        return dark, None
    if bias is None:
        if not same_exposure:
            problems.append(
                Problem(
                    what=f"{_lights(light)}: the dark of {seconds(dark.exposure_s)} "
                    "is subtracted as it is",
                    why="its exposure differs and no bias frames were found to scale it with",
                    remedy=f"add bias frames, or darks of {seconds(light.exposure_s)}",
                )
            )
        notes.append(f"{text}, subtracted as taken")
        return dark, None
    scale = light.exposure_s / (dark.exposure_s or 1.0)
    notes.append(f"{text}, bias removed first, scaled by {scale:.3g}")
    return dark, scale


def _why_no_dark(light: Frame, darks: Sequence[CalibrationSet]) -> str:
    if light.exposure_s is None:
        return "the lights' headers give no exposure time"
    if darks:
        untimed = sum(len(dark.frames) for dark in darks)
        return f"the {counted(untimed, 'dark')} of this camera: no exposure time in the header"
    return "no dark of the same camera, binning, gain, offset and size was found"


def _flat_for(
    light: Frame,
    sets: Sequence[CalibrationSet],
    notes: list[str],
    problems: list[Problem],
) -> CalibrationSet | None:
    flats = [
        s
        for s in sets
        if s.kind is Kind.FLAT and trains_agree(light.setup, s.setup) and s.filter == light.filter
    ]
    flat = _nearest(light, flats)
    if flat is None:
        problems.append(
            Problem(
                what=f"{_lights(light)}: no flat serves them",
                why=f"no flat through {_filter(light.filter)} with this camera and telescope "
                "was found",
                remedy="take flats through this filter before the camera is turned or removed; "
                "until then vignetting and dust stay in the stack",
            )
        )
        return None
    days = _days_apart(light, flat)
    when = "" if not days else f", {counted(days, 'day')} from the lights"
    notes.append(f"flat: {_frames_of(flat)}{when}")
    return flat


def _serve_flat(flat: Frame, sets: Sequence[CalibrationSet]) -> Serving:
    """Choose what is subtracted from one flat before it is normalised."""
    bias = _nearest(flat, _agreeing(flat, sets, Kind.BIAS))
    candidates = [
        d
        for kind in (Kind.DARK_FLAT, Kind.DARK)
        for d in _agreeing(flat, sets, kind)
        if d.exposure_s
    ]
    as_taken = [d for d in candidates if _same_exposure(flat.exposure_s, d.exposure_s, 0.1)]
    if as_taken:
        dark = min(as_taken, key=lambda d: (d.kind is Kind.DARK, _dark_distance(flat, d)))
        return Serving(
            bias=bias, dark=dark, notes=(f"flat: {dark.kind} {_frames_of(dark)} subtracted",)
        )
    if bias is not None:
        if candidates and flat.exposure_s is not None:
            dark = min(candidates, key=lambda d: _dark_distance(flat, d))
            scale = flat.exposure_s / (dark.exposure_s or 1.0)
            note = f"flat: bias and {dark.kind} {_frames_of(dark)} × {scale:.3g} subtracted"
            return Serving(bias=bias, dark=dark, dark_scale=scale, notes=(note,))
        missing = flat.exposure_s is None or flat.exposure_s > _SHORT_FLAT_S
        note = "flat: bias subtracted" + (", no dark-flats found" if missing else "")
        return Serving(bias=bias, notes=(note,))
    if candidates:
        dark = min(candidates, key=lambda d: _dark_distance(flat, d))
        note = f"flat: {dark.kind} {_frames_of(dark)} subtracted as taken, no bias found"
        return Serving(dark=dark, notes=(note,))
    problem = Problem(
        what=f"flats through {_filter(flat.filter)}: nothing to subtract from them",
        why="no bias, dark-flat or dark of the same camera settings was found",
        remedy="add bias frames: a flat with its bias level inside corrects too little",
    )
    return Serving(problems=(problem,))


def _agreeing(frame: Frame, sets: Sequence[CalibrationSet], kind: Kind) -> list[CalibrationSet]:
    camera = frame.setup.camera
    return [s for s in sets if s.kind is kind and cameras_agree(camera, s.setup.camera)]


def _nearest(frame: Frame, sets: Sequence[CalibrationSet]) -> CalibrationSet | None:
    """Choose by night, then by what the headers confirm, temperature and number."""
    return min(
        sets,
        key=lambda s: (
            _days_apart(frame, s) or 0,
            -values_confirmed(frame.setup, s.setup),
            _gap(frame.temperature_c, s.temperature_c) or 0.0,
            -len(s.frames),
        ),
        default=None,
    )


def _dark_distance(frame: Frame, dark: CalibrationSet) -> tuple[float, ...]:
    """Order darks: temperature within the gap, same exposure, longer, nearer."""
    gap = _gap(frame.temperature_c, dark.temperature_c) or 0.0
    ratio = math.log((dark.exposure_s or 1.0) / (frame.exposure_s or 1.0))
    same = _same_exposure(frame.exposure_s, dark.exposure_s)
    return (
        max(gap - TEMPERATURE_GAP_C, 0.0),
        not same,
        # scaling a longer dark down lowers its noise, scaling up raises it
        0.0 if same else (ratio if ratio > 0 else -3 * ratio),
        gap,
        _days_apart(frame, dark) or 0,
        -values_confirmed(frame.setup, dark.setup),
        -len(dark.frames),
    )


def _need(frame: Frame) -> Hashable:
    """Frames with equal needs share one serving."""
    temperature = None if frame.temperature_c is None else round(frame.temperature_c)
    exposure = None if frame.exposure_s is None else round(frame.exposure_s, 3)
    return (
        frame.kind,
        frame.setup,
        frame.filter,
        exposure,
        temperature,
        evening(frame),
        frame.target if frame.kind is Kind.LIGHT else None,
    )


def _same_exposure(one: float | None, other: float | None, share: float = _SAME_EXPOSURE) -> bool:
    if one is None or other is None:
        return False
    return math.isclose(one, other, rel_tol=share, abs_tol=1e-3)


def _gap(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else abs(one - other)


def _days_apart(frame: Frame, other: CalibrationSet | None) -> int | None:
    night = evening(frame)
    if night is None or other is None or other.night is None:
        return None
    return abs((night - other.night).days)


def _frames_of(s: CalibrationSet) -> str:
    parts = [counted(len(s.frames), "frame")]
    if s.kind in (Kind.DARK, Kind.DARK_FLAT):
        parts.append(f"of {seconds(s.exposure_s)}")
    if s.kind is not Kind.FLAT and s.temperature_c is not None:
        parts.append(f"at {celsius(s.temperature_c)}")
    if s.night is not None and s.kind is Kind.FLAT:
        parts.append(f"of {s.night.isoformat()}")
    return " ".join(parts)


def _lights(light: Frame) -> str:
    target = light.target or "unnamed target"
    return f"lights of {target} through {_filter(light.filter)}, {seconds(light.exposure_s)}"


def _filter(name: str | None) -> str:
    return f"filter {name}" if name else "no named filter"
