"""Sorting networks: fixed lists of compare-and-swap steps, one list per depth.

A network sorts many columns at once with nothing but minimum and maximum
along rows, which a processor does for eight float32 pixels per instruction.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Comparator = tuple[int, int]
Step = tuple[int, int, int, int]

EIGHT = 8  # rows that one step of the first kind sorts


@lru_cache(maxsize=512)
def sorting_network(depth: int) -> NDArray[np.uint64]:
    """List the steps that sort `depth` rows into ascending order.

    Batcher's odd-even merge sort for the next power of two, without the
    comparators that would touch rows past the depth (they would hold +inf and
    never move). The first rounds, which sort runs of eight, are one step each;
    later comparators that share rows are joined into steps of four rows. A row
    is then loaded and stored half as often as with single comparators.

    Parameters
    ----------
    depth : int
        Number of rows, at least 1.

    Returns
    -------
    ndarray, shape (steps, 4), uint64
        Each line (a, b, c, d) is one step; the smaller value goes to the row
        named first. If a = b: sort the eight rows from a on. Else, if b = c: the
        single comparator (a, b). Else: the comparators (a, c), (b, d), (b, c)
        in that order. Read-only.

    Raises
    ------
    ValueError
        If `depth` is less than 1.

    References
    ----------
    Batcher 1968, Proc. AFIPS 32, 307.
    """
    if depth < 1:
        raise ValueError(f"depth must be at least 1, got {depth}")
    whole = depth - depth % EIGHT
    steps: list[Step] = [(first, first, 0, 0) for first in range(0, whole, EIGHT)]
    rest = [(low, high) for low, high, run in _comparators(depth) if run >= EIGHT or low >= whole]
    steps += _joined(rest)
    table = np.array(steps, dtype=np.uint64).reshape(-1, 4)
    table.flags.writeable = False
    return table


def _comparators(depth: int) -> list[tuple[int, int, int]]:
    """Odd-even merge sort in the order in which it must run, with the run length."""
    listed: list[tuple[int, int, int]] = []
    run = 1
    while run < depth:
        reach = run
        while reach >= 1:
            for first in range(reach % run, depth - reach, 2 * reach):
                listed.extend(
                    (low, low + reach, run)
                    for low in range(first, min(first + reach, depth - reach))
                    if low // (2 * run) == (low + reach) // (2 * run)
                )
            reach //= 2
        run *= 2
    return listed


def _joined(comparators: list[Comparator]) -> list[Step]:
    """Join (a, c), (b, d), (b, c) into one step wherever the order allows.

    A single may move down to the place of (b, c) if nothing has touched its
    rows since; `last` knows the latest step of every row.
    """
    steps: list[Step | None] = []
    last: dict[int, int] = {}
    for b, c in comparators:
        rows = [b, c]
        step: Step = (b, c, c, c)
        above, below = last.get(b), last.get(c)
        if above is not None and below is not None and above != below:
            upper, lower = steps[above], steps[below]
            if upper is not None and lower is not None and _single(upper) and _single(lower):
                a, d = lower[0], upper[1]
                in_order = upper[0] == b and lower[1] == c
                if in_order and last[a] == below and last[d] == above:
                    steps[above] = steps[below] = None
                    rows = [a, b, c, d]
                    step = (a, b, c, d)
        steps.append(step)
        for row in rows:
            last[row] = len(steps) - 1
    return [step for step in steps if step is not None]


def _single(step: Step) -> bool:
    return step[1] == step[2]
