"""What the camera did: cooling, a zero level that moves, amplifier glow, new hot pixels.

All limits are common practice, no source, unless they say otherwise.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from stackbench.frames.words import counted, percent
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.series import begin_of, clock, end_of, in_time, robust_sigma
from stackbench.review.zerolevel import HARMLESS_ADU, BiasLevels, level_findings

_LEAST_SUBS = 8
_WARM_C = 1.0
_SIGNIFICANT = 5.0
# What glow adds to the noise where it is brightest; as for read noise in planning.
_GLOW_NOISE = 0.05
_GROWN_SHARE = 0.1
# Dark current doubles about every so many °C.
_DOUBLING_C = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkGlow:
    """How far the brightest place of a dark stands above the rest.

    The dark is subtracted from `lights` as it was taken. `light_noise_adu` is
    the noise of a pixel of one of them away from the glow; `gain` is in e⁻/ADU.
    """

    dark: str
    glow_adu: float
    error_adu: float
    place: str
    gain: float | None
    light_noise_adu: float
    lights: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HotPixels:
    """How many pixels of a dark are hot, and were on an earlier evening.

    `new` of those that are hot now were not then. `warmer_c` is by how much the
    sensor was warmer than then, None where a header does not tell.
    """

    dark: str
    now: int
    before: int
    new: int
    since: date
    warmer_c: float | None = None
    lights: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraRecord:
    """What the calibration frames tell of one camera with its settings.

    `biases` are by evening, `glows` and `hot` by dark.
    """

    camera: str
    biases: tuple[BiasLevels, ...] = ()
    glows: tuple[DarkGlow, ...] = ()
    hot: tuple[HotPixels, ...] = ()


def camera_findings(cameras: Sequence[CameraRecord]) -> tuple[Finding, ...]:
    """Tell what the calibration frames show of the night's cameras.

    Parameters
    ----------
    cameras : sequence of CameraRecord
        One per camera with its settings.

    Returns
    -------
    tuple of Finding
        Drift of the bias within each evening, its step between evenings, glow and new
        hot pixels once per camera; empty when nothing stands out. The last
        three have no times, since they belong to no moment of the night.
    """
    found: list[Finding] = []
    for one in cameras:
        found += level_findings(one.camera, one.biases)
        found += [*_glow(one.camera, one.glows), *_new_hot(one.camera, one.hot)]
    return tuple(found)


def cooler_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Tell subs that were taken before the sensor was cold.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup.

    Returns
    -------
    list of Finding
        None or one.
    """
    ordered = [one for one in in_time(subs) if one.sensor_temperature_c is not None]
    if len(ordered) < _LEAST_SUBS:
        return []
    values = np.array([one.sensor_temperature_c or 0.0 for one in ordered])
    typical = float(np.median(values))
    limit = max(_WARM_C, 6 * robust_sigma(values))
    off = [n for n in range(len(ordered)) if abs(values[n] - typical) > limit]
    if not off:
        return []
    concerned = [ordered[n] for n in off]
    worst = float(values[max(off, key=lambda n: abs(values[n] - typical))])
    first = off == list(range(len(off)))
    said = f"{worst:.1f} °C instead of {typical:.1f} °C".replace("-", "−")
    return [
        Finding(
            topic=Topic.CAMERA,
            cause="warm-up" if first and worst > typical else "sensor temperature",
            title=(
                f"The sensor was still cooling down until {clock(end_of(concerned[-1]))} UTC"
                if first and worst > typical
                else f"The sensor did not hold its temperature in {len(off)} subs"
            ),
            text=f"In {len(off)} subs the sensor was at up to {said}, so that darks do not fit.",
            evidence=(f"sensor at {said}, limit ±{limit:.1f} °C, in {len(off)} subs",),
            confidence=Confidence.CERTAIN,
            figures=(Figure(name="furthest off", value=worst - typical, unit="°C"),),
            subs=tuple(one.path for one in concerned),
            measures=("temperature_c",),
            start=begin_of(concerned[0]),
            end=end_of(concerned[-1]),
            remedy="Start the cooler a quarter of an hour before the first light."
            if first
            else "Choose a set point that the cooler holds with 20 % of its power to spare.",
        )
    ]


def _glow(camera: str, glows: Sequence[DarkGlow]) -> list[Finding]:
    """Tell of glow that is taken away with the darks but leaves its noise."""
    told = [(added, one) for one in glows if (added := _glow_noise(one)) > _GLOW_NOISE]
    if not told:
        return []
    most, worst = max(told, key=lambda pair: pair[0])
    return [
        Finding(
            topic=Topic.CAMERA,
            cause="amplifier glow",
            title=f"The camera glows: {worst.glow_adu:.0f} ADU in the {worst.dark}, {worst.place}",
            text=f"The darks of {camera} take this light away, because they are of the lights' "
            f"own exposure; its noise stays: {percent(most)} more there than elsewhere.",
            evidence=tuple(
                f"{one.dark}: {one.glow_adu:.1f} ± {one.error_adu:.1f} ADU above the rest "
                f"({one.place}), which adds {percent(added)} to the {one.light_noise_adu:.1f} ADU "
                "of a light's noise"
                for added, one in told
            ),
            # light that leaks in at one place looks the same
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="glow", value=worst.glow_adu, uncertainty=worst.error_adu, unit="ADU"),
                Figure(name="noise added", value=most),
            ),
            subs=_once(path for _, one in told for path in one.lights),
            remedy="Nothing is wrong with these stacks. Keep to darks of the lights' own exposure: "
            "glow does not grow in proportion, and scaled darks would leave some of it. Keep "
            "faint detail away from that place, and see if another read mode glows less.",
        )
    ]


def _glow_noise(one: DarkGlow) -> float:
    """Tell by what share glow raises the noise of a light: light has its own, √N of N electrons.

    0 where nothing glows for sure, or the gain is not known.
    """
    if not one.gain or one.glow_adu <= max(HARMLESS_ADU, _SIGNIFICANT * one.error_adu):
        return 0.0
    if not one.light_noise_adu > 0:
        return 0.0
    return math.sqrt(1 + one.glow_adu / one.gain / one.light_noise_adu**2) - 1


def _new_hot(camera: str, darks: Sequence[HotPixels]) -> list[Finding]:
    """Tell of hot pixels that have become more than chance and warmth explain."""
    told = [one for one in darks if _grown(one)]
    if not told:
        return []
    worst = max(told, key=lambda one: one.now - one.before)
    return [
        Finding(
            topic=Topic.CAMERA,
            cause="new hot pixels",
            title=f"{counted(worst.new, 'pixel')} of the camera became hot since "
            f"{worst.since.isoformat()}",
            text=f"The {worst.dark} of {camera} shows {worst.now} hot pixels, and showed "
            f"{worst.before} then. Sensors age; these are marked by this night's dark, and by "
            "none taken before.",
            evidence=tuple(
                f"{one.dark}: {one.now} hot pixels, {one.before} on {one.since.isoformat()}; "
                f"{one.new} are new and {one.new - one.now + one.before} are hot no more"
                for one in told
            ),
            confidence=Confidence.LIKELY,
            figures=(
                Figure(name="new", value=worst.new),
                Figure(name="hot now", value=worst.now),
                Figure(name="hot before", value=worst.before),
            ),
            subs=_once(path for one in told for path in one.lights),
            remedy="Add this night's darks to the library and use no older ones from here on; take "
            "darks anew every few months, and dither, so that a pixel that no dark knows yet is "
            "rejected from the stack.",
        )
    ]


def _grown(one: HotPixels) -> bool:
    """Tell whether hot pixels became more than they come and go, and than warmth makes."""
    more, gone = one.now - one.before, one.new - (one.now - one.before)
    if more <= _SIGNIFICANT * math.sqrt(one.new + gone):
        return False
    # the number above a limit falls about with its square
    warmed = math.pow(4.0, max(0.0, one.warmer_c or 0.0) / _DOUBLING_C) - 1
    return more > (_GROWN_SHARE + warmed) * one.before


def _once(paths: Iterable[Path]) -> tuple[Path, ...]:
    return tuple(dict.fromkeys(paths))
