"""How the camera lay on the sky: turned over by a meridian flip, or turned by hand."""

import math
from collections.abc import Sequence

from stackbench.review.observations import Observation

# No polar error turns the field as far as this while a target crosses the sky.
_SAME = math.radians(5.0)


def orientations_of(subs: Sequence[Observation]) -> list[tuple[int, float]]:
    """Tell in which orientation the camera took each sub.

    Parameters
    ----------
    subs : sequence of Observation
        Placed subs.

    Returns
    -------
    list of (int, float)
        For each sub the number of its orientation, from 0 in the order in which
        they occur, and by how much it is turned on the grid against the first
        sub of that orientation, radians.

    Raises
    ------
    ValueError
        If a sub has no place on the grid.
    """
    firsts: list[float] = []
    found: list[tuple[int, float]] = []
    for one in subs:
        if one.to_grid is None:
            raise ValueError(f"{one.path} has no place on the grid")
        turn = math.atan2(one.to_grid[1, 0], one.to_grid[0, 0])
        away = [math.remainder(turn - first, 2 * math.pi) for first in firsts]
        number = next((n for n, angle in enumerate(away) if abs(angle) < _SAME), len(firsts))
        if number == len(firsts):
            firsts.append(turn)
            away.append(0.0)
        found.append((number, away[number]))
    return found
