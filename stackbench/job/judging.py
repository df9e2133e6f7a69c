"""The fifth step: scale every sub to its filter's reference, and judge it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from stackbench.frames.groups import LightGroup
from stackbench.frames.records import Frame
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.measuring import Measured, MeasuredSub
from stackbench.job.registering import Field, Placement, best_sub
from stackbench.job.store import Decision as ByHand
from stackbench.review.judgement import judge_openly
from stackbench.review.limits import Limits, PlacedLimit
from stackbench.review.measures import SubMeasures
from stackbench.review.verdicts import Decision, Verdict, overrule
from stackbench.stacking.scaling import FluxRatio, flux_ratio


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedSub:
    """One light with all that is known about it.

    `sub` and `placement` are None for a light that could not be read. `ratio`
    takes its star fluxes to those of the group's reference, None where no
    stars are shared.
    """

    frame: Frame
    sub: MeasuredSub | None
    placement: Placement | None
    ratio: FluxRatio | None
    measures: SubMeasures
    verdict: Verdict

    @property
    def kept(self) -> bool:
        """Whether the sub goes into its stack.

        Returns
        -------
        bool
            True when its verdict is keep and it is placed on the grid.
        """
        placed = self.placement is not None and self.placement.matrix is not None
        return self.verdict.decision is Decision.KEEP and placed


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedGroup:
    """The lights of one target, setup and filter, judged.

    `reference` is the sub whose scale and sky the stack takes on, None when
    no sub is placed. `grid` is the sub that gives the target's grid. `limits`
    are those that the verdicts by rule rest on.
    """

    group: LightGroup
    subs: tuple[JudgedSub, ...]
    reference: MeasuredSub | None
    grid: MeasuredSub | None
    limits: tuple[PlacedLimit, ...] = ()


def judge_field(bench: Bench, found: Found, field: Field, measured: Measured) -> list[JudgedGroup]:
    """Judge the subs of one target and setup, filter by filter.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store holds what was decided by hand.
    found : Found
        The job's checksums.
    field : Field
        The field, registered.
    measured : Measured
        The measured lights.

    Returns
    -------
    list of JudgedGroup
        One per filter.
    """
    return [_judge_group(bench, found, field, group, measured) for group in field.groups]


def _judge_group(
    bench: Bench, found: Found, field: Field, group: LightGroup, measured: Measured
) -> JudgedGroup:
    subs = {light.path: measured.subs.get(light.path) for light in group.frames}
    reference = _flux_reference(field, [sub for sub in subs.values() if sub is not None])
    ratios = {
        path: _ratio(sub, reference, field) if sub is not None and reference is not None else None
        for path, sub in subs.items()
    }
    problems = {problem.path: problem for problem in measured.problems}
    measures: list[SubMeasures] = []
    for light in group.frames:
        sub = subs[light.path]
        if sub is None or reference is None:
            failure = problems[light.path].why if light.path in problems else None
            measures.append(_measures(light, sub, field, None, None, failure))
            continue
        share = exposure_share(light, reference.frame)
        measures.append(_measures(light, sub, field, ratios[light.path], share, None))
    verdicts, placed = _verdicts(bench, found, group, measures, bench.settings.review)
    return JudgedGroup(
        group=group,
        subs=tuple(
            JudgedSub(
                frame=light,
                sub=subs[light.path],
                placement=field.placements.get(light.path),
                ratio=ratios[light.path],
                measures=one,
                verdict=verdict,
            )
            for light, one, verdict in zip(group.frames, measures, verdicts, strict=True)
        ),
        reference=reference,
        grid=field.reference,
        limits=placed,
    )


def judge_again(bench: Bench, found: Found, judged: JudgedGroup, *, limits: Limits) -> JudgedGroup:
    """Judge a group by other limits or after other decisions; nothing is measured.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store holds what was decided by hand.
    found : Found
        The job's checksums.
    judged : JudgedGroup
        The group as judged before.
    limits : Limits
        What subs must not exceed.

    Returns
    -------
    JudgedGroup
        The same subs with their new verdicts.
    """
    measures = [sub.measures for sub in judged.subs]
    verdicts, placed = _verdicts(bench, found, judged.group, measures, limits)
    subs = tuple(
        replace(sub, verdict=verdict) for sub, verdict in zip(judged.subs, verdicts, strict=True)
    )
    return replace(judged, subs=subs, limits=placed)


def _verdicts(
    bench: Bench,
    found: Found,
    group: LightGroup,
    measures: Sequence[SubMeasures],
    limits: Limits,
) -> tuple[tuple[Verdict, ...], tuple[PlacedLimit, ...]]:
    judgement = judge_openly(measures, limits=limits)
    by_hand = bench.store.decisions()
    decided = [by_hand.get(found.checksums[light.path]) for light in group.frames]
    verdicts = overrule(
        judgement.verdicts,
        keep=[n for n, one in enumerate(decided) if one is ByHand.KEEP],
        reject=[n for n, one in enumerate(decided) if one is ByHand.REJECT],
    )
    return verdicts, judgement.placed


def _flux_reference(field: Field, subs: list[MeasuredSub]) -> MeasuredSub | None:
    """Choose the sub whose scale its filter's stack takes on: the best that is placed."""
    placed = [sub for sub in subs if field.placements[sub.frame.path].matrix is not None]
    return best_sub(placed)


def _ratio(sub: MeasuredSub, reference: MeasuredSub, field: Field) -> FluxRatio | None:
    pairs = field.placements[sub.frame.path].pairs
    reference_pairs = field.placements[reference.frame.path].pairs
    if pairs is None or reference_pairs is None:
        return None
    # both are paired with the stars of the grid's sub
    _, mine, theirs = np.intersect1d(pairs[:, 1], reference_pairs[:, 1], return_indices=True)
    mine, theirs = pairs[mine, 0], reference_pairs[theirs, 0]
    one, other = reference.measures.stars, sub.measures.stars
    return flux_ratio(
        one.flux[theirs],
        other.flux[mine],
        flux_error=np.hypot(1 / one.snr[theirs], 1 / other.snr[mine]),
    )


def _measures(
    light: Frame,
    sub: MeasuredSub | None,
    field: Field,
    ratio: FluxRatio | None,
    share: float | None,
    failure: str | None,
) -> SubMeasures:
    if sub is None:
        return SubMeasures(exposure_s=light.exposure_s, measuring_failure=failure or "unreadable")
    one = sub.measures
    placement = field.placements[light.path]
    arcsec = light.scale_arcsec_px
    return SubMeasures(
        fwhm_px=known(one.fwhm_px),
        fwhm_arcsec=known(one.fwhm_px * arcsec) if arcsec is not None else None,
        eccentricity=known(one.eccentricity),
        elongation_deg=known(one.elongation_deg),
        stars=one.count,
        sky_adu=known(one.sky_adu),
        noise_adu=known(one.noise_adu),
        transparency=1 / (ratio.ratio * share) if ratio and share else None,
        exposure_s=light.exposure_s,
        matched=len(placement.pairs) if placement.pairs is not None else None,
        rms_px=placement.rms_px,
        registration_failure=placement.failure,
    )


def exposure_share(one: Frame, other: Frame) -> float | None:
    """Tell how many times as long one frame was exposed as another.

    Parameters
    ----------
    one, other : Frame
        Two lights.

    Returns
    -------
    float or None
        1 where neither header tells its exposure, for they are taken to be alike;
        None where only one of them does.
    """
    if not one.exposure_s and not other.exposure_s:
        return 1.0
    return one.exposure_s / other.exposure_s if one.exposure_s and other.exposure_s else None


def known(value: float) -> float | None:
    """Turn NaN, which stands for unknown, into None.

    Parameters
    ----------
    value : float
        A measure.

    Returns
    -------
    float or None
        The same number, None if it is not finite.
    """
    return value if math.isfinite(value) else None
