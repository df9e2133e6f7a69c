"""Limits on the measures of a group of subs, and where they come to lie."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from stackbench.review.exposures import are_alike
from stackbench.review.measures import SubMeasures
from stackbench.review.typical import BadSide, RelativeLimit, relative_limit, spread, typical

# Fewer subs than this cannot tell which of them is the odd one out.
LEAST_GROUP = 3
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
    `exposure_s` tells to which subs of the group it applies, by the shortest of
    their exposures; None is all.
    """

    measure: str
    limit: float
    bad: BadSide
    typical: float | None = None
    exposure_s: float | None = None

    def holds_for(self, exposure_s: float | None) -> bool:
        """Tell whether a sub of the group must keep within it.

        Parameters
        ----------
        exposure_s : float or None
            The sub's exposure, s.

        Returns
        -------
        bool
            Whether it must.
        """
        return self.exposure_s is None or are_alike(exposure_s, self.exposure_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
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


def depth_rules(limits: Limits) -> tuple[Rule, ...]:
    """Give the rules that tell how much light came through.

    Parameters
    ----------
    limits : Limits
        What the subs must not exceed.

    Returns
    -------
    tuple of Rule
        Star count and transparency.
    """
    return (
        Rule(
            measure="stars",
            words="star count",
            decimals=0,
            bad=BadSide.BELOW,
            absolute=limits.stars_min,
            relative=limits.stars,
            per_exposure=True,
        ),
        Rule(
            measure="transparency",
            words="transparency",
            decimals=2,
            bad=BadSide.BELOW,
            absolute=limits.transparency_min,
            relative=limits.transparency,
        ),
    )


def shape_rules(limits: Limits) -> tuple[Rule, ...]:
    """Give the rules on the stars' shape and the sky.

    Parameters
    ----------
    limits : Limits
        What the subs must not exceed.

    Returns
    -------
    tuple of Rule
        FWHM in px and in ″, eccentricity and sky.
    """
    above = BadSide.ABOVE
    return (
        Rule(
            measure="fwhm_px",
            words="FWHM",
            unit=" px",
            decimals=2,
            bad=above,
            absolute=limits.fwhm_max_px,
            relative=limits.fwhm,
        ),
        Rule(
            measure="fwhm_arcsec",
            words="FWHM",
            unit="″",
            decimals=2,
            bad=above,
            absolute=limits.fwhm_max_arcsec,
        ),
        Rule(
            measure="eccentricity",
            words="eccentricity",
            decimals=2,
            bad=above,
            absolute=limits.eccentricity_max,
            eccentricity=limits,
        ),
        Rule(
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


def place_limit(
    rule: Rule, known: Mapping[int, float], subs: Sequence[SubMeasures]
) -> tuple[float | None, float | None]:
    """Place the limit of a rule within a group: the tighter of the two it has.

    Parameters
    ----------
    rule : Rule
        The rule.
    known : mapping of int to float
        The values that are compared, by the index of their sub.
    subs : sequence of SubMeasures
        All subs of the group.

    Returns
    -------
    limit : float or None
        None where there is none.
    typical : float or None
        The group's typical value, if the limit is the relative one.
    """
    relative = None
    if len(known) >= LEAST_GROUP:
        relative = _compared(rule, known, subs)
    if relative is None:
        return rule.absolute, None
    tighter = min if rule.bad is BadSide.ABOVE else max
    if rule.absolute is not None and tighter(rule.absolute, relative) != relative:
        return rule.absolute, None
    return relative, typical(list(known.values()), bad=rule.bad)


def _compared(rule: Rule, known: Mapping[int, float], subs: Sequence[SubMeasures]) -> float | None:
    """Place the limit that follows from the group's own values."""
    values = list(known.values())
    if rule.eccentricity is not None:
        return _eccentricity_limit(values, rule.eccentricity)
    if rule.relative is None:
        return None
    if rule.measure == "sky_adu":
        noises = [n for i in known if (n := known_number(subs[i].noise_adu)) is not None]
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


def known_number(value: float | None) -> float | None:
    """Read NaN and infinity as unknown.

    Parameters
    ----------
    value : float or None
        A measure.

    Returns
    -------
    float or None
        The same, None where it is not finite.
    """
    return None if value is None or not math.isfinite(value) else float(value)
