"""Where one value lies among those of its group."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """A value's place: `rank` counts from 1, the lowest, to `count`.

    `below` is the share of the others that are lower, from 0 to 1.
    """

    rank: int
    count: int
    below: float


def standing(value: float, values: Sequence[float]) -> Standing | None:
    """Find where a value lies among those of its group.

    Parameters
    ----------
    value : float
        One of the values.
    values : sequence of float
        All of the group, in ascending order.

    Returns
    -------
    Standing or None
        Equal values share the lowest rank; None when there is no other value.
    """
    if len(values) < 2:
        return None
    lower = bisect_left(values, value)
    return Standing(rank=lower + 1, count=len(values), below=lower / (len(values) - 1))
