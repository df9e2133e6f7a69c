"""Limits on the measures of a group of subs, and the verdicts that follow."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from stackbench.review.measures import SubMeasures
from stackbench.review.typical import BadSide, RelativeLimit, relative_limit, spread, typical
from stackbench.review.verdicts import Decision, Reason, Verdict

# Fewer subs than this cannot tell which of them is the odd one out.
_LEAST_GROUP = 3
# A verdict is in doubt while the value lies within this part of the way from
# typical to limit, on either side of the limit.
_DOUBTFUL = 0.5
# Sky that brightens by less than this many noise standard deviations of a
# pixel costs nothing, however large the ratio (narrow filters see a few ADU).
_SKY_FLOOR_SIGMA = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a sub must not exceed within its target, setup and filter.

    The relative limits take a night as it is; None turns one off. The
    absolute ones (None: none set) are in the unit of their name and hold for
    any group, also of one or two subs. The defaults, and why:

    - `fwhm`: 1.37 to 1.42 times typical. Seeing that changes by ±15 % reaches
      1.15 / 0.85 = 1.35 times the typical value where the better seeing
      prevails; a defocus that spoils a stack starts at 1.5.
    - `eccentricity`: between 0.6 (axis ratio 0.80, hardly seen) and 0.67 (0.74),
      so that a trail of axis ratio 0.70 (0.714) is found in spite of a
      measuring error of 0.04. A night whose stars are all elongated (optics, a
      poor mount) moves the upper end along, 0.15 above its typical value:
      rejecting everything would help no one.
    - `transparency`: 0.7 to 0.6 times typical. A target that sinks from the
      zenith to 25° loses up to a third; a cloud of half transparency must go.
    - `stars`: 0.5 to 0.3 times typical. A sky twice as bright and seeing 15 %
      worse hide four stars in ten, so the count convicts only gross loss, and
      stands in where transparency is unknown.
    - `sky`: 2.5 to 4 times typical. A rising Moon doubles it; dawn and lit cloud
      go far beyond. A rise within the pixel noise never counts.
    - `stars_min`: 5, fewer cannot be registered. `eccentricity_max`: 0.8 (axis
      ratio 0.60), no longer a star.
    """

    fwhm: RelativeLimit | None = field(
        default_factory=lambda: RelativeLimit(factor=3.0, tightest=1.37, loosest=1.42)
    )
    fwhm_max_px: float | None = None
    fwhm_max_arcsec: float | None = None
    eccentricity_factor: float | None = 3.0
    eccentricity_tightest: float = 0.6
    eccentricity_loosest: float = 0.67
    eccentricity_step: float = 0.15
    eccentricity_max: float | None = 0.8
    transparency: RelativeLimit | None = field(
        default_factory=lambda: RelativeLimit(factor=3.0, tightest=0.7, loosest=0.6)
    )
    transparency_min: float | None = None
    stars: RelativeLimit | None = field(
        default_factory=lambda: RelativeLimit(factor=3.0, tightest=0.5, loosest=0.3)
    )
    stars_min: int | None = 5
    sky: RelativeLimit | None = field(
        default_factory=lambda: RelativeLimit(factor=3.0, tightest=2.5, loosest=4.0)
    )
    sky_max_adu: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedLimit:
    """Where the limit of one measure lies within a group.

    `measure` is the name of a field of `SubMeasures`, `bad` the side on which
    a value is bad. `typical` is None where the limit is the one that is set.
    `exposure_s` tells to which subs of the group it applies; None is all.
    """

    measure: str
    limit: float
    bad: BadSide
    typical: float | None = None
    exposure_s: float | None = None


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
    placed = _examine(subs, findings, _depth_rules(limits), among=sound)
    passed = [index for index in sound if not any(one.broken for one in findings[index])]
    among = passed if len(passed) >= _LEAST_GROUP else sound
    placed += _examine(subs, findings, _shape_rules(limits), among=among)
    note = ""
    if len(sound) < _LEAST_GROUP:
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """One measure with its limits: how it is called, and which side is bad."""

    measure: str
    words: str
    unit: str = ""
    decimals: int
    bad: BadSide
    absolute: float | None
    relative: RelativeLimit | None = None
    eccentricity: Limits | None = None
    per_exposure: bool = False


def _depth_rules(limits: Limits) -> tuple[_Rule, ...]:
    return (
        _Rule(
            measure="stars",
            words="star count",
            decimals=0,
            bad=BadSide.BELOW,
            absolute=limits.stars_min,
            relative=limits.stars,
            per_exposure=True,
        ),
        _Rule(
            measure="transparency",
            words="transparency",
            decimals=2,
            bad=BadSide.BELOW,
            absolute=limits.transparency_min,
            relative=limits.transparency,
        ),
    )


def _shape_rules(limits: Limits) -> tuple[_Rule, ...]:
    above = BadSide.ABOVE
    return (
        _Rule(
            measure="fwhm_px",
            words="FWHM",
            unit=" px",
            decimals=1,
            bad=above,
            absolute=limits.fwhm_max_px,
            relative=limits.fwhm,
        ),
        _Rule(
            measure="fwhm_arcsec",
            words="FWHM",
            unit="″",
            decimals=1,
            bad=above,
            absolute=limits.fwhm_max_arcsec,
        ),
        _Rule(
            measure="eccentricity",
            words="eccentricity",
            decimals=2,
            bad=above,
            absolute=limits.eccentricity_max,
            eccentricity=limits,
        ),
        _Rule(
            measure="sky_adu",
            words="sky level",
            unit=" ADU",
            decimals=0,
            bad=above,
            absolute=limits.sky_max_adu,
            relative=limits.sky,
            per_exposure=True,
        ),
    )


def _failures(sub: SubMeasures) -> list[_Finding]:
    """Reasons that need no comparison."""
    found = []
    if sub.measuring_failure is not None:
        found.append(("measuring", f"measuring failed: {sub.measuring_failure}"))
    elif _number(sub.stars) is None and _number(sub.fwhm_px) is None:
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
    rules: Sequence[_Rule],
    *,
    among: Sequence[int],
) -> list[PlacedLimit]:
    """Add to each sub's findings how it stands against each rule; return the limits."""
    comparable = set(among)
    placed: list[PlacedLimit] = []
    for rule in rules:
        values = [_number(getattr(sub, rule.measure)) for sub in subs]
        groups: dict[float | None, list[int]] = {}
        for index in range(len(subs)):
            key = _number(subs[index].exposure_s) if rule.per_exposure else None
            groups.setdefault(key, []).append(index)
        for exposure, members in groups.items():
            known = {i: v for i in members if i in comparable and (v := values[i]) is not None}
            limit, centre = _limit(rule, known, subs)
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


def _limit(
    rule: _Rule, known: Mapping[int, float], subs: Sequence[SubMeasures]
) -> tuple[float | None, float | None]:
    """Return the tighter of the limits; with the typical value if it is the relative one."""
    relative = None
    if len(known) >= _LEAST_GROUP:
        relative = _compared(rule, known, subs)
    if relative is None:
        return rule.absolute, None
    tighter = min if rule.bad is BadSide.ABOVE else max
    if rule.absolute is not None and tighter(rule.absolute, relative) != relative:
        return rule.absolute, None
    return relative, typical(list(known.values()), bad=rule.bad)


def _compared(rule: _Rule, known: Mapping[int, float], subs: Sequence[SubMeasures]) -> float | None:
    """Place the limit that follows from the group's own values."""
    values = list(known.values())
    if rule.eccentricity is not None:
        return _eccentricity_limit(values, rule.eccentricity)
    if rule.relative is None:
        return None
    if rule.measure == "sky_adu":
        noises = [n for i in known if (n := _number(subs[i].noise_adu)) is not None]
        return _sky_limit(values, noises, rule.relative)
    return relative_limit(values, rule.relative, bad=rule.bad)


def _eccentricity_limit(values: Sequence[float], limits: Limits) -> float | None:
    """Place the limit of a measure that has an absolute meaning between 0 and 1."""
    if limits.eccentricity_factor is None:
        return None
    centre = typical(values, bad=BadSide.ABOVE)
    wished = centre + limits.eccentricity_factor * spread(values)
    loosest = max(limits.eccentricity_loosest, centre + limits.eccentricity_step)
    return min(max(wished, limits.eccentricity_tightest), loosest)


def _sky_limit(
    values: Sequence[float], noises: Sequence[float], limit: RelativeLimit
) -> float | None:
    """Place the sky's limit, no closer to the typical sky than the pixel noise."""
    centre = typical(values, bad=BadSide.ABOVE)
    floor = centre + _SKY_FLOOR_SIGMA * median(noises) if noises else None
    if centre > 0:
        placed = relative_limit(values, limit, bad=BadSide.ABOVE)
        return placed if floor is None else max(placed, floor)
    # A sky of nothing (a narrow filter, an offset left in) has no ratios.
    return None if floor is None else max(centre + limit.factor * spread(values), floor)


def _finding(rule: _Rule, value: float, *, limit: float, centre: float | None) -> _Finding:
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


def _number(value: float | None) -> float | None:
    """Read NaN and infinity as unknown."""
    return None if value is None or not math.isfinite(value) else float(value)
