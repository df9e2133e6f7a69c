"""Polar alignment, from how the field turns while the target crosses the sky."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.orientations import orientations_of
from stackbench.review.series import Floats, LinearFit, begin_of, end_of, fit_linear, in_time

_LEAST_SUBS = 8
# Less of the sky crossed than this says nothing, degrees of hour angle.
_LEAST_SPAN_DEG = 10.0
# A polar error below this costs nothing that guiding does not mend (common
# practice, no source).
_LEAST_ARCMIN = 3.0
_SIGNIFICANT = 5.0
ARCMIN = math.pi / 180 / 60
ARCSEC = ARCMIN / 60
# A corner star that moves by less during a sub does not show (common practice, no source).
_SMEAR_PX = 0.5
# Guided, the field turns at most at this rate for a polar error ε (rad): ω ε / cos δ.
SIDEREAL_RAD_S = 2 * math.pi / 86164.0905


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarError:
    """How far the polar axis is off at least, arcminutes, with its 1σ uncertainty.

    `turn_deg_h` is how fast the field turned. `corner_px` is how far that moved
    a star in the corner during one sub, guiding in the middle; below
    `harmless_arcmin` it would be half a pixel or less (None: scale unknown).
    """

    least_arcmin: float
    error_arcmin: float
    turn_deg_h: float
    corner_px: float
    harmless_arcmin: float | None
    span_deg: float


def declination_drift(*, polar_error: float, hours: float, from_polar_hour: float) -> float:
    """Predict how far an unguided star drifts in declination.

    Parameters
    ----------
    polar_error : float
        ε, any unit of angle; small.
    hours : float
        How long, sidereal rate.
    from_polar_hour : float
        H − H_p in the middle, radians.

    Returns
    -------
    float
        ω ε t sin(H − H_p), in the unit of ε.
    """
    return SIDEREAL_RAD_S * 3600 * hours * polar_error * math.sin(from_polar_hour)


def largest_polar_error_arcmin(
    *, smear_arcsec: float, declination: float, minutes: float, guide_angle_deg: float
) -> float:
    """Return the polar error at which field rotation smears stars by a given amount.

    Parameters
    ----------
    smear_arcsec : float
        The smear that is allowed, on the sky.
    declination : float
        Of the target, radians.
    minutes : float
        Length of the exposure.
    guide_angle_deg : float
        Between the guide star and the star that is smeared.

    Returns
    -------
    float
        Arcminutes.

    References
    ----------
    Hook 1989, J. Brit. Astron. Assoc. 99, 19 (from memory); derived anew from the
    rate of rotation, ω ε / cos δ.
    """
    turn = smear_arcsec * ARCSEC / math.radians(guide_angle_deg)
    return turn * math.cos(declination) / (SIDEREAL_RAD_S * 60 * minutes) / ARCMIN


def polar_error(subs: Sequence[Observation]) -> PolarError | None:
    """Measure how far the polar axis is off at least.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup in one night; they need places on the grid, hour
        angles and a pointing.

    Returns
    -------
    PolarError or None
        None when the subs cross too little of the sky. The rotation of the
        transforms is fitted by a straight line in hour angle, with an offset of
        its own for each orientation of the camera; since the field
        turns by at most ε/cos δ per radian of hour angle, the slope times cos δ
        is the least ε that does it.
    """
    usable = [
        one
        for one in in_time(subs)
        if one.to_grid is not None and one.place is not None and one.pointing is not None
    ]
    if len(usable) < _LEAST_SUBS:
        return None
    # unwrapped, since a target below the pole passes from 180° to −180°
    hour_angles = np.unwrap(
        np.radians([one.place.hour_angle_deg for one in usable if one.place is not None])
    )
    orientations = orientations_of(usable)
    parts, turns = [number for number, _ in orientations], np.array([t for _, t in orientations])
    names = sorted(set(parts))
    span = max(float(np.ptp(hour_angles[[p == name for p in parts]])) for name in names)
    if math.degrees(span) < _LEAST_SPAN_DEG:
        return None
    columns = [np.array([float(part == name) for part in parts]) for name in names]
    fit = _resistant(columns, hour_angles, turns)
    if fit is None:
        return None
    pointing = usable[0].pointing
    declination = math.radians(pointing.dec_deg if pointing is not None else 0.0)
    slope, error = abs(float(fit.coefficients[-1])), float(fit.errors[-1])
    rate = slope * SIDEREAL_RAD_S
    ny, nx = usable[0].shape
    longest = max(one.exposure_s or 0.0 for one in usable)
    scale = usable[0].scale_arcsec_px
    harmless = None
    if scale is not None and longest > 0:
        harmless = largest_polar_error_arcmin(
            smear_arcsec=_SMEAR_PX * scale,
            declination=declination,
            minutes=longest / 60,
            guide_angle_deg=math.hypot(nx, ny) / 2 * scale / 3600,
        )
    return PolarError(
        least_arcmin=slope * math.cos(declination) / ARCMIN,
        error_arcmin=error * math.cos(declination) / ARCMIN,
        turn_deg_h=math.degrees(rate) * 3600,
        corner_px=rate * longest * math.hypot(nx, ny) / 2,
        harmless_arcmin=harmless,
        span_deg=math.degrees(span),
    )


def alignment_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Tell a polar error that shows in the rotation of the field.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup.

    Returns
    -------
    list of Finding
        None or one.
    """
    found = polar_error(subs)
    if found is None:
        return []
    sure = found.least_arcmin - 2 * found.error_arcmin > _LEAST_ARCMIN
    if not (sure and found.least_arcmin > _SIGNIFICANT * found.error_arcmin):
        return []
    ordered = in_time(subs)
    drift = declination_drift(
        polar_error=found.least_arcmin * 60, hours=1 / 60, from_polar_hour=math.pi / 2
    )
    return [
        Finding(
            topic=Topic.ALIGNMENT,
            cause="polar error",
            title=f"The polar axis is off by at least {found.least_arcmin:.0f}′",
            text="The field turned from sub to sub as it does when the polar axis of the mount "
            f"is off by {found.least_arcmin:.0f}′ or more.",
            evidence=(
                f"field turned by {found.turn_deg_h:.3f}° an hour over {found.span_deg:.0f}° "
                f"of hour angle: polar error at least {found.least_arcmin:.1f}′ "
                f"± {found.error_arcmin:.1f}′",
                f"stars in the corners move by {found.corner_px:.2f} px during one sub",
                f"unguided, stars would drift by up to {drift:.1f}″ a minute in declination",
            ),
            confidence=Confidence.CERTAIN,
            figures=(
                Figure(
                    name="polar error, at least",
                    value=found.least_arcmin,
                    uncertainty=found.error_arcmin,
                    unit="′",
                ),
                Figure(name="smear in the corners", value=found.corner_px, unit="px"),
            ),
            subs=tuple(one.path for one in ordered),
            start=begin_of(ordered[0]),
            end=end_of(ordered[-1]),
            remedy=_remedy(found),
        )
    ]


def _remedy(found: PolarError) -> str:
    anew = "lign the polar axis anew, by drift or by solving for the sky"
    if found.harmless_arcmin is None:
        return f"A{anew}; a few arcminutes are enough."
    still = "stars in the corners move by less than half a pixel during subs as long as these"
    if found.least_arcmin + 2 * found.error_arcmin < found.harmless_arcmin:
        return (
            f"Little harm: up to {found.harmless_arcmin:.0f}′ {still}. Before longer subs, or "
            f"where guiding in declination labours, a{anew}."
        )
    return f"A{anew}; below {found.harmless_arcmin:.0f}′ {still}."


def _resistant(columns: Sequence[Floats], along: Floats, turns: Floats) -> LinearFit | None:
    """Fit turns by a straight line, without the subs that were placed less well."""
    used = np.ones(len(turns), dtype=bool)
    fit = None
    for _ in range(5):
        fit = fit_linear([*(c[used] for c in columns), along[used]], turns[used])
        if fit is None:
            return None
        residuals = turns - np.column_stack([*columns, along]) @ fit.coefficients
        again = np.abs(residuals) <= 4 * max(fit.scatter, 1e-9)
        if (again == used).all():
            break
        used = again
    return fit
