"""What to do next: each target's advice, in plain words."""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np

from stackbench.calibration.phototransfer import MeasuredCamera
from stackbench.calibration.records import Serving
from stackbench.export.lessons import AdviceEntry, FilterAdviceEntry
from stackbench.export.lessons import filter_advice_entry as in_record
from stackbench.frames.names import setup_label
from stackbench.frames.records import Frame
from stackbench.frames.targets import target_key
from stackbench.frames.words import counted, duration, percent, seconds
from stackbench.job.diagnosing import TargetNight
from stackbench.job.exporting import FinishedChannel
from stackbench.job.judging import known
from stackbench.job.places import Chance, coming_chance, next_noon
from stackbench.review.focuspositions import focus_positions
from stackbench.review.planning import FilterAdvice, FilterDepth, advise
from stackbench.review.seeing import fried_length_cm, zenith_seeing

# A filter is told apart from the others from this noise ratio on.
_UNBALANCED = 1.15
_LEAST_ALTITUDE_DEG = 30.0


def advice_of(
    nights: Sequence[TargetNight],
    channels: Sequence[FinishedChannel],
    cameras: Mapping[str, MeasuredCamera | None],
    servings: Mapping[Path, Serving],
    *,
    gain: float,
    now: datetime,
) -> tuple[AdviceEntry, ...]:
    """Say for each target what to do next.

    Parameters
    ----------
    nights : sequence of TargetNight
        From `target_nights`.
    channels : sequence of FinishedChannel
        The finished stacks.
    cameras : mapping of str to MeasuredCamera or None
        Gain and read noise by setup.
    servings : mapping of Path to Serving
        What calibrates each light.
    gain : float
        Gain in signal-to-noise ratio for which hours are told.
    now : datetime
        When this is said, UTC: the target's next night lies after it, and after the subs.

    Returns
    -------
    tuple of AdviceEntry
        One per target and setup that has a stack.
    """
    entries: list[AdviceEntry] = []
    for night in nights:
        mine = [
            one
            for one in channels
            if target_key(one.stack.recipe.group.target) == target_key(night.target)
            and setup_label(one.stack.recipe.group.setup) == night.setup
        ]
        if not mine:
            continue
        camera = cameras.get(night.setup)
        advised = advise([_depth(one, camera, servings) for one in mine], gain=gain)
        entries.append(
            AdviceEntry(
                target=night.target,
                setup=night.setup,
                gain=gain,
                filters=tuple(_filter_entry(one, gain) for one in advised),
                lines=(
                    *_missing(night, servings),
                    *_unknown_camera(advised),
                    *_when_next(night, now),
                    *_seeing_lines(night),
                    *_focus_lines(night),
                ),
            )
        )
    return tuple(entries)


def _depth(
    channel: FinishedChannel, camera: MeasuredCamera | None, servings: Mapping[Path, Serving]
) -> FilterDepth:
    stack, recipe = channel.stack, channel.stack.recipe
    reference = recipe.reference
    stars = reference.measures.stars
    serving = servings[reference.frame.path]
    # without bias and dark the sky still holds the bias level, and says nothing
    levelled = serving.bias is not None or serving.dark is not None
    return FilterDepth(
        filter=recipe.group.filter,
        subs=len(recipe.subs),
        exposure_s=recipe.exposure_s or 0.0,
        sub_s=reference.frame.exposure_s or 1.0,
        noise_adu=stack.facts.white_noise_adu or stack.facts.predicted_noise_adu,
        sky_adu=known(reference.measures.sky_adu) if levelled else None,
        star_adu=float(np.median(stars.flux)) if len(stars) else None,
        fwhm_px=stack.facts.fwhm_px,
        gain_e_per_adu=camera.gain_e_per_adu if camera is not None else None,
        read_noise_e=camera.read_noise_e if camera is not None else None,
    )


def _filter_entry(advice: FilterAdvice, gain: float) -> FilterAdviceEntry:
    return in_record(advice, lines=tuple(_filter_lines(advice, gain)))


def _filter_lines(advice: FilterAdvice, gain: float) -> list[str]:
    depth = advice.depth
    so_far = duration(depth.exposure_s)
    snr = "" if advice.star_snr is None else f"; the median star has S/N {advice.star_snr:.0f}"
    lines = [
        f"{counted(depth.subs, 'sub')}, {so_far} in all{snr}; "
        f"{duration(advice.more_hours * 3600)} more make S/N {gain:g} times better"
    ]
    if advice.shortest_sub_s is not None and advice.read_share is not None:
        lines.append(
            f"read noise adds {percent(advice.read_share)} to the sky's noise in subs of "
            f"{seconds(depth.sub_s)}; "
            + (
                f"subs of {duration(_rounded(advice.shortest_sub_s))} or more bring it below 5 %"
                + _worth(advice.longer_gain)
                if advice.read_share > 0.05
                else f"{duration(_rounded(advice.shortest_sub_s))} would be enough for 5 %"
            )
        )
    hours = depth.exposure_s / 3600
    if advice.balance_hours is not None and advice.balance_hours > hours * (_UNBALANCED**2 - 1):
        lines.append(
            f"noisier for its light than the other filters: "
            f"{duration(advice.balance_hours * 3600)} more bring it to their level"
        )
    return lines


def _worth(gain: float | None) -> str:
    """Say what longer subs would do to the stack, where it is worth saying."""
    return f" and the noise of the stack down by {percent(gain)}" if gain and gain > 0.02 else ""


def _rounded(seconds: float) -> float:
    """Round a sub length up to what a person would set."""
    step = 1 if seconds < 30 else 10 if seconds < 300 else 60
    return float(math.ceil(seconds / step) * step)


def _missing(night: TargetNight, servings: Mapping[Path, Serving]) -> list[str]:
    """Say what to do about missing or doubtful calibration, each once with its filters."""
    told: dict[str, dict[str, None]] = {}
    for one in night.observations:
        for problem in servings[one.path].problems:
            told.setdefault(problem.remedy, {})[one.filter or "no filter"] = None
    return [f"{', '.join(filters)}: {remedy}" for remedy, filters in told.items()]


def _unknown_camera(advised: Sequence[FilterAdvice]) -> list[str]:
    """Say what would tell the numbers that electrons are counted with."""
    if all(one.noise_e_s is not None and one.depth.read_noise_e is not None for one in advised):
        return []
    return [
        "gain and read noise of the camera are not known: a few flats and bias frames with these "
        "settings would tell them, and with them S/N and sub lengths"
    ]


def _seeing_lines(night: TargetNight) -> list[str]:
    """Tell the seeing as it would have been at the zenith, to compare nights by."""
    seeing = zenith_seeing([one for one in night.observations if one.kept])
    if seeing is None:
        return []
    # optics and guiding blur as well, so that the air's own cells are larger
    return [
        f"stars reduced to the zenith: {seeing[0]:.1f}″ ± {seeing[1]:.1f}″ from sub to sub; "
        "the calm cells of the air (r₀ at 500 nm) were "
        f"{fried_length_cm(seeing[0]):.1f} cm wide or more"
    ]


def _focus_lines(night: TargetNight) -> list[str]:
    """Tell where the focuser stood for each filter, which gives their offsets."""
    positions = focus_positions(night.observations)
    if len(positions) < 2:
        return []
    # the filter with the most subs, from which the others are counted, goes first
    said = [
        f"{one.filter or 'no filter'} "
        + (f"{one.used:.0f}" if one.offset is None else f"{one.offset:+.0f}".replace("-", "−"))
        + ("" if one.best is None else f" (sharpest at {one.best:.0f} ± {one.error or 0.0:.0f})")
        for one in sorted(positions, key=lambda one: one.offset is not None)
    ]
    told = {one.filter for one in night.observations if one.focus_position is not None}
    silent = sorted({one.filter or "" for one in night.observations if one.filter not in told})
    missing = f"; none in the headers of {', '.join(name or 'no filter' for name in silent)}"
    return [
        f"focuser position, others counted from the first: {', '.join(said)} steps"
        + (missing if silent else "")
    ]


def _when_next(night: TargetNight, now: datetime) -> list[str]:
    """Tell when the target can next be seen in the dark, or what that takes."""
    frames = [sub.frame for group in night.groups for sub in group.subs if sub.frame.time]
    known_frames = [f for f in frames if f.site and f.pointing]
    last = max(known_frames, key=lambda f: str(f.time), default=None)
    if last is None or last.site is None or last.pointing is None or last.time is None:
        return _what_is_unsaid(frames)
    chance = coming_chance(
        last.site,
        last.pointing,
        after=next_noon(last.site, last.time),
        now=now,
        least_altitude_deg=_LEAST_ALTITUDE_DEG,
    )
    if chance is None:
        return [f"it does not rise above {_LEAST_ALTITUDE_DEG:.0f}° in the dark within a year"]
    return [_chance_line(chance)]


def _what_is_unsaid(frames: Sequence[Frame]) -> list[str]:
    """Tell what would have to be known to say when the target is next high in the dark."""
    wanted = f"when the target is next above {_LEAST_ALTITUDE_DEG:.0f}° in the dark"
    if frames and not any(frame.site for frame in frames):
        return [
            f"no header says where the telescope stands: to be told {wanted}, set "
            "latitude and longitude in the settings, part planning"
        ]
    missing = "time" if not frames else "where the telescope pointed"
    return [f"the headers do not say {missing}, so that {wanted} cannot be told"]


def _chance_line(chance: Chance) -> str:
    moon = "Moon below the horizon"
    if chance.moon_hours > 0:
        moon = (
            f"Moon {percent(chance.moon_illuminated)} lit, up for {chance.moon_hours:.1f} h of it"
        )
    return (
        f"next above {_LEAST_ALTITUDE_DEG:.0f}° in the dark on "
        f"{chance.start:%Y-%m-%d} from {chance.start:%H:%M} to {chance.end:%H:%M} UTC "
        f"({chance.hours:.1f} h), {moon}"
    )
