"""Master frames: a set of calibration frames made into one, with its numbers."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.combine import CombinedImage, combine_rows
from stackbench.calibration.defects import find_defects
from stackbench.calibration.doubts import flat_level_problem, growth_problem
from stackbench.calibration.dropping import (
    dropped_frames,
    poor_flat,
    strays,
    unusable,
    warm_strays,
)
from stackbench.calibration.records import CalibrationSet, DroppedFrame, Master
from stackbench.calibration.sets import TIMED, set_name
from stackbench.calibration.statistics import clipped_moments
from stackbench.calibration.survey import pair_noise, survey_frames
from stackbench.calibration.trends import trend
from stackbench.calibration.unstable import LEAST_FRAMES, Steadiness
from stackbench.frames.records import Kind, Problem
from stackbench.frames.robust import median
from stackbench.frames.rows import RowSource
from stackbench.frames.work import Stop, Tick, never, quiet
from stackbench.rejection.efficiency import median_variance
from stackbench.rejection.methods import Method, Rejection

# Subtracting a master of N frames raises the noise by √(1 + 1/N): 5 % for 10.
_ENOUGH_FRAMES = 10
_REMEDY = "Take these frames again; until then they are not used."
# Fewer frames than this cannot outvote an outlier.
_LEAST_TO_CLIP = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class NoMaster:
    """Why no master could be made of a set, and the frames that failed it."""

    problem: Problem
    dropped: tuple[DroppedFrame, ...]


def make_level(
    calibration_set: CalibrationSet,
    sources: Sequence[RowSource],
    *,
    rejection: Rejection,
    jobs: int = 1,
    tick: Tick = quiet,
    stop: Stop = never,
) -> Master | NoMaster:
    """Make a master bias, dark or dark-flat as taken, the bias inside.

    Parameters
    ----------
    calibration_set : CalibrationSet
        The frames.
    sources : sequence of RowSource
        The pixels of `calibration_set.frames`, in their order, raw ADU.
    rejection : Rejection
        How to clip along the depth.
    jobs : int
        Number of threads.
    tick : callable
        Called after each band, in the calling thread.
    stop : callable
        Asked between pieces of work; True ends it with Cancelled.

    Returns
    -------
    Master or NoMaster
        NoMaster when no frame of the set can be used.
    """
    surveys = survey_frames(sources, jobs=jobs, stop=stop)
    reasons = strays(surveys, [unusable(survey) for survey in surveys])
    if calibration_set.kind in TIMED:
        reasons = warm_strays([frame.temperature_c for frame in calibration_set.frames], reasons)
    used = [index for index, reason in enumerate(reasons) if reason is None]
    dropped = dropped_frames(calibration_set, surveys, reasons)
    if not used:
        return _nothing_left(calibration_set, dropped)
    noise = pair_noise([surveys[index] for index in used], jobs=jobs)
    # means, since medians of whole ADU are coarse
    levels = [clipped_moments(surveys[index].noise_rows)[0] for index in used]
    combined = combine_rows(
        [sources[index] for index in used],
        rejection=rejection,
        noise=_expected(noise, [1.0] * len(used)),
        steadiness=_steadiness(calibration_set, levels, noise),
        jobs=jobs,
        tick=tick,
        stop=stop,
    )
    return _master(
        calibration_set,
        used,
        dropped,
        combined,
        level_adu=median(combined.data),
        frame_noise_adu=noise,
        noise=noise / math.sqrt(len(used)),
        frame_levels_adu=tuple(levels),
        doubt=_growth(calibration_set, levels, noise),
    )


def make_flat(
    flat_set: CalibrationSet,
    sources: Sequence[RowSource],
    *,
    levels: Sequence[NDArray[np.float32] | None] | None = None,
    saturation_adu: float | None = None,
    rejection: Rejection,
    jobs: int = 1,
    tick: Tick = quiet,
    stop: Stop = never,
) -> Master | NoMaster:
    """Make a master flat: each flat above its level, scaled by its own median.

    Flats that are saturated in more than 1 % of their pixels, or whose pixels
    have less than ten times their noise, are left out. The average weighs each
    flat by its signal, which is best for photon noise.

    Parameters
    ----------
    flat_set : CalibrationSet
        The frames, of one setup and filter.
    sources : sequence of RowSource
        The pixels of `flat_set.frames`, in their order, raw ADU.
    levels : sequence of ndarray or None, optional
        What to subtract from each flat, shape (ny, nx), ADU: its dark-flat,
        dark or bias.
    saturation_adu : float, optional
        Raw value from which a pixel is saturated.
    rejection : Rejection
        How to clip along the depth.
    jobs : int
        Number of threads.
    tick : callable
        Called after each band, in the calling thread.
    stop : callable
        Asked between pieces of work; True ends it with Cancelled.

    Returns
    -------
    Master or NoMaster
        The response with median 1; NoMaster when no flat can be used.
    """
    under = [None] * len(sources) if levels is None else list(levels)
    surveys = survey_frames(
        sources, subtract=under, saturation_adu=saturation_adu, jobs=jobs, stop=stop
    )
    reasons = [unusable(survey) or poor_flat(survey) for survey in surveys]
    used = [index for index, reason in enumerate(reasons) if reason is None]
    dropped = dropped_frames(flat_set, surveys, reasons)
    if not used:
        return _nothing_left(flat_set, dropped)
    signals = [surveys[index].level_adu for index in used]
    factors = [1 / signal for signal in signals]
    weights = [signal / max(signals) for signal in signals]
    level = float(np.median(signals))
    unit_noise = pair_noise(
        [surveys[index] for index in used], factors=factors, weights=weights, jobs=jobs
    )
    combined = combine_rows(
        [sources[index] for index in used],
        rejection=rejection,
        factors=factors,
        subtract=[under[index] for index in used],
        weights=weights,
        noise=_expected(unit_noise, weights),
        jobs=jobs,
        tick=tick,
        stop=stop,
    )
    scale = median(combined.data)
    if not scale > 0:
        return _nothing_left(flat_set, dropped)
    np.divide(combined.data, np.float32(scale), out=combined.data)
    return _master(
        flat_set,
        used,
        dropped,
        combined,
        level_adu=level,
        frame_noise_adu=unit_noise / math.sqrt(float(np.median(weights))) * level,
        noise=unit_noise / math.sqrt(sum(weights)),
        doubt=flat_level_problem(
            median(np.array([median(surveys[index].noise_rows) for index in used])),
            saturation_adu,
            name=set_name(flat_set),
        ),
    )


def _master(
    calibration_set: CalibrationSet,
    used: Sequence[int],
    dropped: tuple[DroppedFrame, ...],
    combined: CombinedImage,
    *,
    level_adu: float,
    frame_noise_adu: float,
    noise: float,
    frame_levels_adu: tuple[float, ...] = (),
    doubt: Problem | None,
) -> Master:
    """Write down a finished master; `noise` is that of a mean of all values."""
    method = combined.choice.rejection.method
    variance = noise**2 * len(used) / max(1.0, combined.mean_kept)
    if method is Method.MEDIAN:
        variance *= median_variance(len(used))
    bad = None
    if calibration_set.kind is not Kind.BIAS:
        bad = find_defects(
            calibration_set.kind,
            combined.data,
            noise_adu=_known(frame_noise_adu) or 0.0,
            unstable=combined.unstable,
        )
    return Master(
        kind=calibration_set.kind,
        setup=calibration_set.setup,
        filter=calibration_set.filter,
        exposure_s=calibration_set.exposure_s,
        temperature_c=calibration_set.temperature_c,
        night=calibration_set.night,
        rotator_deg=calibration_set.rotator_deg,
        data=combined.data,
        paths=tuple(calibration_set.frames[index].path for index in used),
        dropped=dropped,
        method=str(method),
        rejected_pixels=combined.rejected_pixels,
        level_adu=level_adu,
        frame_noise_adu=_known(frame_noise_adu),
        noise=_known(math.sqrt(variance)),
        defects=None if bad is None else bad.counts,
        bad=bad,
        frame_levels_adu=frame_levels_adu,
        problems=(
            *_dropped_problems(calibration_set, dropped),
            *_few_problems(calibration_set, len(used)),
            *([doubt] if doubt is not None else []),
        ),
    )


def _steadiness(
    calibration_set: CalibrationSet, levels: Sequence[float], noise: float
) -> Steadiness | None:
    """Say what darks should show, where there are enough to tell unstable pixels."""
    if calibration_set.kind is Kind.BIAS or len(levels) < LEAST_FRAMES or not noise > 0:
        return None
    return Steadiness(noise_adu=noise, levels_adu=np.array(levels, dtype=np.float32))


def _growth(
    calibration_set: CalibrationSet, levels: Sequence[float], noise: float
) -> Problem | None:
    """Warn of darks whose level changes from the first to the last."""
    if calibration_set.kind not in TIMED:
        return None
    growth = trend(range(len(levels)), levels)
    return growth_problem(
        growth, frames=len(levels), noise_adu=noise, name=set_name(calibration_set)
    )


def _expected(unit_noise: float, weights: Sequence[float]) -> list[float] | None:
    """Return the noise of each frame, None when it is unknown or there is none."""
    if not unit_noise > 0:
        return None
    if max(weights) < 1.5 * min(weights):  # one limit for all is as good, and faster
        return [unit_noise / math.sqrt(float(np.median(weights)))] * len(weights)
    return [unit_noise / math.sqrt(weight) for weight in weights]


def _nothing_left(calibration_set: CalibrationSet, dropped: tuple[DroppedFrame, ...]) -> NoMaster:
    """Say that a set gives no master."""
    name = set_name(calibration_set)
    if not dropped:
        why = "Its combined level is not above zero."
        problem = Problem(what=f"No master {name}", why=why, remedy=_REMEDY)
        return NoMaster(problem=problem, dropped=())
    reasons = "; ".join(f"{frame.path.name}: {frame.reason}" for frame in dropped[:3])
    more = f"; and {len(dropped) - 3} more" if len(dropped) > 3 else ""
    problem = Problem(
        what=f"No master {name}: none of its {len(dropped)} frames can be used",
        why=f"These were left out: {reasons}{more}.",
        remedy=_REMEDY,
        path=dropped[0].path,
    )
    return NoMaster(problem=problem, dropped=dropped)


def _dropped_problems(
    calibration_set: CalibrationSet, dropped: Sequence[DroppedFrame]
) -> tuple[Problem, ...]:
    name = set_name(calibration_set)
    return tuple(
        Problem(
            what=f"Left out of the master {name}",
            why=f"{frame.reason[0].upper()}{frame.reason[1:]}.",
            remedy="Nothing needs to be done as long as enough good frames are left.",
            path=frame.path,
        )
        for frame in dropped
    )


def _few_problems(calibration_set: CalibrationSet, depth: int) -> tuple[Problem, ...]:
    """Warn of a master that cannot reject outliers, or adds much noise."""
    if depth >= _LEAST_TO_CLIP:
        return ()
    frames = "one frame" if depth == 1 else f"{depth} frames"
    return (
        Problem(
            what=f"Master {set_name(calibration_set)} made of {frames}",
            why="So few cannot tell which value is an outlier, and applying their mean "
            f"multiplies the noise of one such frame by {math.sqrt(1 + 1 / depth):.2f}.",
            remedy=f"Take {_ENOUGH_FRAMES} or more, which costs at most 5 % of noise.",
        ),
    )


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
