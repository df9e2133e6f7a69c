"""Verdicts on the subs of one target, setup and filter, with every reason."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stackbench.review.exposures import alike_exposures
from stackbench.review.limits import (
    LEAST_GROUP,
    Limits,
    PlacedLimit,
    Rule,
    depth_rules,
    known_number,
    place_limit,
    shape_rules,
)
from stackbench.review.measures import SubMeasures
from stackbench.review.typical import BadSide
from stackbench.review.verdicts import Decision, Reason, Verdict

# A verdict is in doubt while the value lies within this part of the way from
# typical to limit, on either side of the limit.
_DOUBTFUL = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """The verdicts on a group, in the order of its subs, and the limits they rest on."""

    verdicts: tuple[Verdict, ...]
    placed: tuple[PlacedLimit, ...]


def judge(subs: Sequence[SubMeasures], *, limits: Limits | None = None) -> tuple[Verdict, ...]:
    """Judge the subs of one target, setup and filter.

    Parameters
    ----------
    subs : sequence of SubMeasures
        All subs of the group; their order does not matter.
    limits : Limits, optional
        What they must not exceed; the defaults of `Limits` if left out.

    Returns
    -------
    tuple of Verdict
        One verdict per sub, in the order of `subs`. A rejected sub carries
        every reason. A measure that is unknown is not judged; a sub without
        star count and without FWHM is rejected as unmeasured.

    Notes
    -----
    Failures come first, then star count and transparency; typical FWHM,
    eccentricity and sky are then taken from the subs that passed, so that
    specks measured on an overcast sub do not define a sharp star. Star count
    and sky are compared among subs of equal exposure. With fewer than three
    subs to compare only the absolute limits apply, and the verdicts' note
    says so.
    """
    return judge_openly(subs, limits=Limits() if limits is None else limits).verdicts


def judge_openly(subs: Sequence[SubMeasures], *, limits: Limits) -> Judgement:
    """Judge as `judge` does, and tell where the limits came to lie.

    Parameters
    ----------
    subs : sequence of SubMeasures
        All subs of the group.
    limits : Limits
        What they must not exceed.

    Returns
    -------
    Judgement
        The verdicts of `judge`, and the limits within this group.
    """
    findings: list[list[_Finding]] = [_failures(sub) for sub in subs]
    sound = [index for index, found in enumerate(findings) if not found]
    placed = _examine(subs, findings, depth_rules(limits), among=sound)
    passed = [index for index in sound if not any(one.broken for one in findings[index])]
    among = passed if len(passed) >= LEAST_GROUP else sound
    placed += _examine(subs, findings, shape_rules(limits), among=among)
    note = ""
    if len(sound) < LEAST_GROUP:
        note = (
            f"only {len(sound)} {'sub' if len(sound) == 1 else 'subs'} to compare: "
            "judged by the absolute limits alone"
        )
    verdicts = tuple(_verdict(found, note=note) for found in findings)
    return Judgement(verdicts=verdicts, placed=tuple(placed))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Finding:
    """One measure of one sub against its limit; `excess` above 1 breaks it."""

    reason: Reason
    excess: float

    @property
    def broken(self) -> bool:
        return self.excess > 1


def _failures(sub: SubMeasures) -> list[_Finding]:
    """Reasons that need no comparison."""
    found = []
    if sub.measuring_failure is not None:
        found.append(("measuring", f"measuring failed: {sub.measuring_failure}"))
    elif known_number(sub.stars) is None and known_number(sub.fwhm_px) is None:
        found.append(("measuring", "no star was measured on it"))
    if sub.registration_failure is not None:
        found.append(("registration", f"registration failed: {sub.registration_failure}"))
    return [
        _Finding(reason=Reason(measure=measure, text=text), excess=math.inf)
        for measure, text in found
    ]


def _examine(
    subs: Sequence[SubMeasures],
    findings: list[list[_Finding]],
    rules: Sequence[Rule],
    *,
    among: Sequence[int],
) -> list[PlacedLimit]:
    """Add to each sub's findings how it stands against each rule; return the limits."""
    comparable = set(among)
    exposures = alike_exposures([sub.exposure_s for sub in subs])
    placed: list[PlacedLimit] = []
    for rule in rules:
        values = [known_number(getattr(sub, rule.measure)) for sub in subs]
        groups: dict[float | None, list[int]] = {}
        for index in range(len(subs)):
            groups.setdefault(exposures[index] if rule.per_exposure else None, []).append(index)
        for exposure, members in groups.items():
            known = {i: v for i in members if i in comparable and (v := values[i]) is not None}
            limit, centre = place_limit(rule, known, subs)
            if limit is None:
                continue
            placed.append(
                PlacedLimit(
                    measure=rule.measure,
                    limit=limit,
                    bad=rule.bad,
                    typical=centre,
                    exposure_s=exposure,
                )
            )
            for index in members:
                value = values[index]
                if value is not None:
                    findings[index].append(_finding(rule, value, limit=limit, centre=centre))
    return placed


def _finding(rule: Rule, value: float, *, limit: float, centre: float | None) -> _Finding:
    """Compare one value with its limit, in numbers and in words."""
    side = 1 if rule.bad is BadSide.ABOVE else -1
    if centre is not None and limit != centre:
        excess = (value - centre) / (limit - centre)
    elif rule.bad is BadSide.ABOVE:
        excess = value / limit if limit > 0 else math.inf
    else:
        excess = limit / value if value > 0 else math.inf
    # The comparison itself must not hang on the rounding of a quotient.
    broken = side * (value - limit) > 0
    excess = max(excess, math.nextafter(1, 2)) if broken else min(excess, 1.0)
    shown, bound = _told_apart(value, limit, decimals=rule.decimals)
    known = (
        "that is set"
        if centre is None
        else f"(the filter's typical value is {centre:.{rule.decimals}f}{rule.unit})"
    )
    text = (
        f"{rule.words} {shown}{rule.unit} is {rule.bad.value} the limit {bound}{rule.unit} {known}"
    )
    reason = Reason(measure=rule.measure, value=value, limit=limit, text=text)
    return _Finding(reason=reason, excess=excess)


def _told_apart(value: float, limit: float, *, decimals: int) -> tuple[str, str]:
    """Write two numbers with as many decimals as it takes to see which is larger."""
    for places in range(decimals, decimals + 6):
        shown, bound = f"{value:.{places}f}", f"{limit:.{places}f}"
        if shown != bound:
            return shown, bound
    return f"{value!r}", f"{limit!r}"


def _verdict(found: Sequence[_Finding], *, note: str) -> Verdict:
    """Weigh all findings on one sub."""
    broken = [one for one in found if one.broken]
    if broken:
        surest = max(one.excess for one in broken)
        doubt = max(0.0, 1 - (surest - 1) / _DOUBTFUL)
        reasons = tuple(one.reason for one in broken)
        return Verdict(decision=Decision.REJECT, reasons=reasons, doubt=doubt, note=note)
    nearest = max((one.excess for one in found), default=0.0)
    doubt = max(0.0, 1 - (1 - nearest) / _DOUBTFUL)
    return Verdict(decision=Decision.KEEP, doubt=doubt, note=note)
