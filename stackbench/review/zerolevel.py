"""How the camera's zero level moves: within an evening, and from one evening to another."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from stackbench.frames.words import celsius, duration
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.series import clock, fit_linear

HARMLESS_ADU = 2.0
"""A level that is wrong by less does no harm to a light (common practice, no source)."""

# A straight line through fewer frames is too often 5 σ steep by chance.
_LEAST_BIASES = 8
# The median of fewer is not known well enough to be compared with another evening's.
_LEAST_OF_AN_EVENING = 6
_SIGNIFICANT = 5.0
# A temperature that changed by less did not change (common practice, no source).
_WARM_C = 1.0
# The error of a median over that of a mean.
_MEDIAN = 1.2533


@dataclass(frozen=True, slots=True, kw_only=True)
class BiasLevels:
    """The level of each bias frame of one evening, in order of time.

    `times` are UTC, `levels_adu` the frames' mean levels. `read_noise_adu` is
    that of a pixel.
    """

    times: tuple[datetime, ...]
    levels_adu: tuple[float, ...]
    temperatures_c: tuple[float | None, ...]
    read_noise_adu: float | None
    lights: tuple[Path, ...] = ()


def level_findings(camera: str, evenings: Sequence[BiasLevels]) -> list[Finding]:
    """Tell how the zero level of a camera moved.

    Parameters
    ----------
    camera : str
        Its name.
    evenings : sequence of BiasLevels
        The bias frames that one master is made of, by evening.

    Returns
    -------
    list of Finding
        One for each evening on which it drifted, and one if it differs between evenings.
    """
    drifts = [drift for levels in evenings for drift in _bias_drift(camera, levels)]
    return [*drifts, *_bias_step(camera, evenings)]


def _bias_drift(camera: str, levels: BiasLevels) -> list[Finding]:
    """Tell of a zero level that moved one way by more than does no harm."""
    count = len(levels.times)
    if count < _LEAST_BIASES:
        return []
    start, end = levels.times[0], levels.times[-1]
    hours = np.array([(time - start).total_seconds() / 3600 for time in levels.times])
    values = np.array(levels.levels_adu)
    fit = fit_linear([np.ones(count), hours - hours.mean()], values)
    if fit is None or fit.significance(1) <= _SIGNIFICANT:
        return []
    middle, slope = fit.coefficients
    error, change = float(fit.errors[1]), float(slope * np.ptp(hours))
    noise = levels.read_noise_adu or 0.0
    if abs(change) <= max(HARMLESS_ADU, noise / 2):
        return []
    lasted = duration((end - start).total_seconds())
    word = "rose" if change > 0 else "fell"
    against = f", where a pixel's read noise is {noise:.1f} ADU" if noise else ""
    return [
        Finding(
            topic=Topic.CAMERA,
            cause="bias drift",
            title=f"The camera's zero level {word} by {abs(change):.1f} ADU within {lasted}",
            text=f"The level of the bias frames of {camera} {word} from the first to the last, so "
            "that their master is right for one moment only: what it is wrong by is left in lights "
            "and flats as a false sky, and the flat makes a gradient of it.",
            evidence=(
                f"{count} bias frames from {clock(start)} to {clock(end)} UTC: "
                f"{_signed(slope)} ± {error:.2f} ADU an hour about {middle:.1f} ADU{against}",
                *_warmed(levels),
            ),
            confidence=Confidence.CERTAIN,
            figures=(
                Figure(name="slope", value=float(slope), uncertainty=error, unit="ADU per hour"),
                Figure(name="change", value=change, unit="ADU"),
            ),
            subs=levels.lights,
            start=start,
            end=end,
            remedy="Switch the camera and its cooler on half an hour before the first frame, and "
            "take bias frames and darks next to the lights. Where the camera can record overscan "
            "columns, let it: the zero level of each frame is then its own.",
        )
    ]


def _bias_step(camera: str, evenings: Sequence[BiasLevels]) -> list[Finding]:
    """Tell of a zero level that was another on another evening, since one master serves both."""
    known = [one for one in evenings if len(one.times) >= _LEAST_OF_AN_EVENING]
    if len(known) < 2:
        return []
    ordered = sorted(known, key=_middle)
    low, high = ordered[0], ordered[-1]
    # so few frames do not tell their scatter well: the largest of all evenings goes for each
    scatter = max(float(np.std(one.levels_adu, ddof=1)) for one in known)
    errors = {one: _MEDIAN * scatter / math.sqrt(len(one.times)) for one in known}
    step, error = _middle(high) - _middle(low), math.hypot(errors[low], errors[high])
    noise = max(one.read_noise_adu or 0.0 for one in known)
    if step <= max(HARMLESS_ADU, noise / 2, _SIGNIFICANT * error):
        return []
    return [
        Finding(
            topic=Topic.CAMERA,
            cause="bias step",
            title=f"The camera's zero level differs by {step:.1f} ADU between evenings",
            text=f"The level of the bias frames of {camera} was another on another evening, and "
            "their master, made of all, lies in between: what it is wrong by, or the darks of one "
            "evening for another's lights, is left as a false sky.",
            evidence=tuple(
                f"{len(one.times)} bias frames from {clock(one.times[0])} UTC on "
                f"{one.times[0]:%Y-%m-%d}: {_middle(one):.2f} ± {errors[one]:.2f} ADU"
                for one in sorted(known, key=lambda one: one.times[0])
            ),
            confidence=Confidence.CERTAIN,
            figures=(Figure(name="step", value=step, uncertainty=error, unit="ADU"),),
            subs=tuple(dict.fromkeys(path for one in known for path in one.lights)),
            remedy="Calibrate each evening in a job of its own, with its own bias frames and "
            "darks. Where the camera can record overscan columns, let it: the zero level of each "
            "frame is then its own.",
        )
    ]


def _middle(levels: BiasLevels) -> float:
    return float(np.median(levels.levels_adu))


def _warmed(levels: BiasLevels) -> list[str]:
    """Say by how much the sensor's temperature changed meanwhile, if it did."""
    known = [one for one in levels.temperatures_c if one is not None]
    if not known or max(known) - min(known) < _WARM_C:
        return []
    return [f"the sensor went from {celsius(known[0])} to {celsius(known[-1])} meanwhile"]


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")
