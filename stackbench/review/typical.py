"""Typical values and limits that spoilt subs cannot pull along."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import median

from stackbench.frames.robust import MAD_TO_SIGMA

# The typical value is taken a third of the way up from the good end: with no
# bad sub that is still an ordinary one, and with up to 40 % bad ones it is the
# middle of the good ones, where the median would be their worst.
_FROM_GOOD_END = 1 / 3


class BadSide(Enum):
    """On which side of the limit a value is bad."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeLimit:
    """How far from the typical value a sub may lie.

    The limit lies `factor` robust standard deviations from the typical value
    on the bad side, but never closer than `tightest` times the typical value
    (so that a steady night does not reject its own small changes) and never
    further than `loosest` times it (so that many bad subs cannot widen it).
    """

    factor: float
    tightest: float
    loosest: float

    def __post_init__(self) -> None:
        above = 1 <= self.tightest <= self.loosest
        below = 1 >= self.tightest >= self.loosest >= 0
        if not (self.factor > 0 and (above or below)):
            raise ValueError(
                "a relative limit needs a factor above 0 and 1 ≤ tightest ≤ loosest "
                f"or 1 ≥ tightest ≥ loosest ≥ 0, got {self}"
            )


def typical(values: Sequence[float], *, bad: BadSide) -> float:
    """Tell the value of an ordinary good sub.

    Parameters
    ----------
    values : sequence of float
        At least one value, all finite.
    bad : BadSide
        On which side bad values lie.

    Returns
    -------
    float
        The quantile a third of the way up from the good end, interpolated
        between neighbours.
    """
    ordered = sorted(values, reverse=bad is BadSide.BELOW)
    place = (len(ordered) - 1) * _FROM_GOOD_END
    before = int(place)
    after = min(before + 1, len(ordered) - 1)
    return ordered[before] + (place - before) * (ordered[after] - ordered[before])


def spread(values: Sequence[float]) -> float:
    """Tell the robust standard deviation of values.

    Parameters
    ----------
    values : sequence of float
        At least one value, all finite.

    Returns
    -------
    float
        Median absolute deviation from the median × 1.4826.
    """
    middle = median(values)
    return MAD_TO_SIGMA * median(abs(value - middle) for value in values)


def relative_limit(values: Sequence[float], limit: RelativeLimit, *, bad: BadSide) -> float:
    """Place a limit for values that are above 0.

    Parameters
    ----------
    values : sequence of float
        Values of the group, finite.
    limit : RelativeLimit
        How far from the typical value.
    bad : BadSide
        On which side bad values lie.

    Returns
    -------
    float
        The limit, in the values' unit.
    """
    centre = typical(values, bad=bad)
    step = limit.factor * spread(values)
    wished = centre + step if bad is BadSide.ABOVE else centre - step
    ends = sorted((limit.tightest * centre, limit.loosest * centre))
    return min(max(wished, ends[0]), ends[1])
