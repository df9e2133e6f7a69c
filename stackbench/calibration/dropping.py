"""Which frames of a set stay out of its master, with the reason in words."""

from collections.abc import Sequence

import numpy as np

from stackbench.calibration.records import CalibrationSet, DroppedFrame
from stackbench.calibration.survey import FrameSurvey
from stackbench.frames.robust import mad_sigma, median
from stackbench.frames.words import celsius, percent

# A flat whose single pixels are known to worse than 1 in 10 brings more noise
# into a light than it takes out.
_LEAST_SIGNAL_TO_NOISE = 10.0
_MOST_SATURATED_SHARE = 0.01
_MOST_UNDEFINED_SHARE = 0.5
# Fewer frames do not tell which of them strays.
_LEAST_TO_JUDGE = 4
# A regulated cooler holds its set point better than this (common practice, no source).
_REGULATED_C = 1.0


def unusable(survey: FrameSurvey) -> str | None:
    """Say why a frame of any kind cannot be used.

    Parameters
    ----------
    survey : FrameSurvey
        The quick look at the frame.

    Returns
    -------
    str or None
        The reason; None when it can be used.
    """
    if survey.error is not None:
        return survey.error
    if survey.undefined_share > _MOST_UNDEFINED_SHARE:
        return f"{percent(survey.undefined_share)} of its pixels are undefined"
    return None


def poor_flat(survey: FrameSurvey) -> str | None:
    """Say why a flat is too bright or too faint to be used.

    Parameters
    ----------
    survey : FrameSurvey
        The quick look at the flat, its level above dark or bias.

    Returns
    -------
    str or None
        The reason; None when it can be used.
    """
    if survey.saturated_share > _MOST_SATURATED_SHARE:
        return (
            f"saturated: {percent(survey.saturated_share, 1)} of its pixels, "
            f"limit {percent(_MOST_SATURATED_SHARE)}"
        )
    least = max(_LEAST_SIGNAL_TO_NOISE * survey.noise_adu, 1.0)
    if not survey.level_adu >= least:
        return (
            f"near-empty: {survey.level_adu:.0f} ADU above dark or bias, "
            f"limit {least:.0f} ADU (ten times the noise of a pixel)"
        )
    return None


def strays(surveys: Sequence[FrameSurvey], reasons: Sequence[str | None]) -> tuple[str | None, ...]:
    """Add the frames whose level is far from that of their set, such as a lit dark.

    Parameters
    ----------
    surveys : sequence of FrameSurvey
        The quick looks at bias or dark frames of one set.
    reasons : sequence of str or None
        Why each is out already, None for those still in.

    Returns
    -------
    tuple of str or None
        The reasons, with those for the strays added: further from the median
        level than five times the noise of one pixel and five times the robust
        scatter (scaled MAD) of the levels. Sets of fewer than four frames are
        left as they are.
    """
    rest = [survey for survey, reason in zip(surveys, reasons, strict=True) if reason is None]
    if len(rest) < _LEAST_TO_JUDGE:
        return tuple(reasons)
    levels = np.array([survey.level_adu for survey in rest])
    centre = median(levels)
    scatter = mad_sigma(levels, centre)
    noise = float(np.median([survey.noise_adu for survey in rest]))
    limit = 5 * max(noise, scatter) + 1
    judged = list(reasons)
    for index, survey in enumerate(surveys):
        if judged[index] is None and abs(survey.level_adu - centre) > limit:
            judged[index] = (
                f"its level is {survey.level_adu:.0f} ADU, that of the set {centre:.0f} ADU, "
                f"limit ±{limit:.0f} ADU"
            )
    return tuple(judged)


def warm_strays(
    temperatures_c: Sequence[float | None], reasons: Sequence[str | None]
) -> tuple[str | None, ...]:
    """Add the darks whose sensor was far from the temperature of their set.

    Parameters
    ----------
    temperatures_c : sequence of float or None
        Of each frame, None where unknown.
    reasons : sequence of str or None
        Why each is out already, None for those still in.

    Returns
    -------
    tuple of str or None
        The reasons, with those for the strays added: further from the median
        than 1 °C and five times the robust scatter (scaled MAD), so that a
        sensor that warms all night loses none. Sets of fewer than four known
        temperatures are left as they are.
    """
    rest = [
        warmth
        for warmth, reason in zip(temperatures_c, reasons, strict=True)
        if reason is None and warmth is not None
    ]
    if len(rest) < _LEAST_TO_JUDGE:
        return tuple(reasons)
    centre = median(np.array(rest))
    scatter = mad_sigma(np.array(rest), centre)
    limit = max(_REGULATED_C, 5 * scatter)
    return tuple(
        f"its sensor was at {celsius(warmth)}, that of the set at {celsius(centre)}, "
        f"limit ±{limit:.1f} °C"
        if reason is None and warmth is not None and abs(warmth - centre) > limit
        else reason
        for warmth, reason in zip(temperatures_c, reasons, strict=True)
    )


def dropped_frames(
    calibration_set: CalibrationSet,
    surveys: Sequence[FrameSurvey],
    reasons: Sequence[str | None],
) -> tuple[DroppedFrame, ...]:
    """List the frames that stay out.

    Parameters
    ----------
    calibration_set : CalibrationSet
        The set.
    surveys : sequence of FrameSurvey
        The quick looks at its frames.
    reasons : sequence of str or None
        One per frame, None for those that stay in.

    Returns
    -------
    tuple of DroppedFrame
        In the order of the set's frames.
    """
    return tuple(
        DroppedFrame(path=frame.path, reason=reason, passing=survey.passing)
        for frame, survey, reason in zip(calibration_set.frames, surveys, reasons, strict=True)
        if reason is not None
    )
