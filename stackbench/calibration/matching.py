"""Which sets of calibration frames serve a light or a flat, and why.

The rules themselves are the table in `calibration/rules.py`; here they are
asked, and what follows is put into words in `calibration/pairing_words.py`.
"""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stackbench.calibration import pairing_words as words
from stackbench.calibration.overscan import image_area
from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.calibration.rules import broken_rules, preference, rule_for
from stackbench.calibration.sets import calibration_sets, evening
from stackbench.calibration.traits import EXPOSURE, TEMPERATURE
from stackbench.frames.records import Frame, Kind, Problem

# A flat shorter than this gathers no dark signal worth a missing dark-flat.
_SHORT_FLAT_S = 5.0
# A regulated cooler holds its set point to a few tenths of a degree (common
# practice, no source): within this, a dark is not scaled by temperature.
_SAME_TEMPERATURE_C = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchingOptions:
    """How darks are brought to lights that differ from them.

    `dark_doubling_c` is the rise in sensor temperature, °C, that doubles the
    dark current. It differs from camera to camera (5 to 8 °C are usual, common
    practice, no source); None leaves darks unscaled by temperature.
    """

    dark_doubling_c: float | None = None

    def __post_init__(self) -> None:
        if self.dark_doubling_c is not None and not 1.0 <= self.dark_doubling_c <= 30.0:
            raise ValueError(
                f"dark_doubling_c must be from 1 to 30 °C, got {self.dark_doubling_c:g}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPlan:
    """All calibration sets of a job, and what serves each light and flat.

    `servings` maps the path of each light and flat to its Serving; frames
    that are served alike share one. `sets` holds the sets of the frames, and of
    the stored masters those that serve something.
    """

    sets: tuple[CalibrationSet, ...]
    servings: Mapping[Path, Serving]


def plan_calibration(
    frames: Sequence[Frame],
    *,
    stored: Sequence[CalibrationSet] = (),
    options: MatchingOptions | None = None,
) -> CalibrationPlan:
    """Choose the calibration of every light and every flat.

    Parameters
    ----------
    frames : sequence of Frame
        All frames of the job, of any kind.
    stored : sequence of CalibrationSet
        Masters kept from earlier nights, chosen by the same rules.
    options : MatchingOptions, optional
        How darks are scaled; the defaults of `MatchingOptions` if left out.

    Returns
    -------
    CalibrationPlan
        The sets, and the serving of each light and flat by path.
    """
    options = options or MatchingOptions()
    own = calibration_sets(frames)
    sets = (*own, *stored)
    by_need: dict[Hashable, Serving] = {}
    servings: dict[Path, Serving] = {}
    for frame in frames:
        if frame.kind not in (Kind.LIGHT, Kind.FLAT):
            continue
        need = _need(frame)
        if need not in by_need:
            serve = _serve_light if frame.kind is Kind.LIGHT else _serve_flat
            by_need[need] = serve(frame, sets, options)
        servings[frame.path] = by_need[need]
    used = {
        one for serving in by_need.values() for one in (serving.bias, serving.dark, serving.flat)
    }
    return CalibrationPlan(sets=(*own, *(one for one in stored if one in used)), servings=servings)


def _serve_light(light: Frame, sets: Sequence[CalibrationSet], options: MatchingOptions) -> Serving:
    problems: list[Problem] = []
    bias = _best(light, sets, Kind.BIAS)
    dark = _best(light, sets, Kind.DARK)
    flat = _best(light, sets, Kind.FLAT)
    serving = Serving(bias=bias, dark=dark, flat=flat)
    if dark is None:
        problems.append(words.no_dark(light, sets))
    else:
        serving, doubts = _with_scale(light, replace(serving, dark=dark), options)
        problems += doubts
    if flat is None:
        problems.append(words.no_flat(light, sets))
    if bias is None and dark is None:
        problems.append(words.no_bias_nor_dark(light, sets))
    notes = words.light_notes(light, serving)
    return replace(serving, notes=notes, problems=tuple(problems))


def _with_scale(
    light: Frame, serving: Serving, options: MatchingOptions
) -> tuple[Serving, list[Problem]]:
    """Say by how much the dark of a light is scaled, and what is doubtful about it."""
    dark = serving.dark
    if dark is None or dark.exposure_s is None or light.exposure_s is None:
        return serving, []
    problems: list[Problem] = []
    other_exposure = rule_for(Kind.LIGHT, Kind.DARK, EXPOSURE).excess(light, dark) > 0
    warm_rule = rule_for(Kind.LIGHT, Kind.DARK, TEMPERATURE)
    gap = warm_rule.gap(light, dark)
    scale = light.exposure_s / dark.exposure_s if other_exposure else None
    by_temperature = None
    if serving.bias is not None and gap is not None and gap > _SAME_TEMPERATURE_C:
        by_temperature = _temperature_factor(light, dark, options)
    if by_temperature is not None:
        scale = (scale or 1.0) * by_temperature
    elif gap is not None and gap > warm_rule.tolerance:
        problems.append(words.dark_off_in_temperature(light, dark))
        # with its bias removed it is at least scaled by exposure
        scale = light.exposure_s / dark.exposure_s
    if serving.bias is None:
        if other_exposure:
            problems.append(words.dark_unscaled(light, dark))
        scale = None
    return replace(serving, dark_scale=scale), problems


def _temperature_factor(
    light: Frame, dark: CalibrationSet, options: MatchingOptions
) -> float | None:
    """Return D(T light)/D(T dark) = 2^(ΔT/doubling step), None when not asked for."""
    step = options.dark_doubling_c
    if step is None or light.temperature_c is None or dark.temperature_c is None:
        return None
    return float(2.0 ** ((light.temperature_c - dark.temperature_c) / step))


def _serve_flat(
    flat: Frame,
    sets: Sequence[CalibrationSet],
    options: MatchingOptions,  # noqa: ARG001 - flats are too short to be scaled by temperature
) -> Serving:
    """Choose what is subtracted from one flat before it is normalised."""
    bias = _best(flat, sets, Kind.BIAS)
    dark_flat, dark = _best(flat, sets, Kind.DARK_FLAT), _best(flat, sets, Kind.DARK)
    candidates = [one for one in (dark_flat, dark) if one is not None]
    as_taken = [one for one in candidates if _same_exposure(flat, one)]
    if as_taken:
        serving = Serving(bias=bias, dark=as_taken[0])
        return replace(serving, notes=words.flat_notes(flat, serving))
    if bias is not None:
        serving = Serving(bias=bias)
        if candidates and flat.exposure_s:
            nearest = min(candidates, key=lambda one: preference(flat, one))
            scale = flat.exposure_s / (nearest.exposure_s or 1.0)
            serving = Serving(bias=bias, dark=nearest, dark_scale=scale)
        missing = flat.exposure_s is None or flat.exposure_s > _SHORT_FLAT_S
        return replace(serving, notes=words.flat_notes(flat, serving, dark_missing=missing))
    if candidates:
        serving = Serving(dark=min(candidates, key=lambda one: preference(flat, one)))
        return replace(serving, notes=words.flat_notes(flat, serving))
    return Serving(problems=(words.nothing_under_flat(flat, sets),))


def _best(frame: Frame, sets: Sequence[CalibrationSet], kind: Kind) -> CalibrationSet | None:
    """Choose the set of a kind that serves a frame best; None when none may serve it."""
    # what is subtracted from a light must be known in length
    timed = kind in (Kind.DARK, Kind.DARK_FLAT)
    if timed and frame.kind is Kind.LIGHT and not frame.exposure_s:
        return None
    return min(
        (
            one
            for one in sets
            if one.kind is kind
            and not (timed and not one.exposure_s)
            and not broken_rules(frame, one)
        ),
        key=lambda one: preference(frame, one),
        default=None,
    )


def _same_exposure(frame: Frame, one: CalibrationSet) -> bool:
    rule = rule_for(frame.kind, one.kind, EXPOSURE)
    gap = rule.gap(frame, one)
    return gap is not None and gap <= rule.tolerance


def _need(frame: Frame) -> Hashable:
    """Frames with equal needs share one serving."""
    temperature = None if frame.temperature_c is None else round(frame.temperature_c, 1)
    exposure = None if frame.exposure_s is None else round(frame.exposure_s, 3)
    rotation = None if frame.rotator_deg is None else round(frame.rotator_deg, 1)
    return (
        frame.kind,
        frame.setup,
        image_area(frame),
        frame.pedestal_adu,
        frame.filter,
        exposure,
        temperature,
        rotation,
        evening(frame),
        frame.target if frame.kind is Kind.LIGHT else None,
    )
