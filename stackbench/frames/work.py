"""Work in threads that can be watched and stopped."""

from collections.abc import Callable, Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")

Tick = Callable[[], None]
"""Called after each piece of work, from the thread that asked for the work."""
Stop = Callable[[], bool]
"""Asked between pieces of work; True ends it with Cancelled."""


class Cancelled(Exception):  # noqa: N818 - not an error: somebody asked for it
    """The work was stopped because somebody asked for it."""


def never() -> bool:
    """Answer a Stop's question with no.

    Returns
    -------
    bool
        Always False.
    """
    return False


def quiet() -> None:
    """Do nothing after a piece of work."""


def in_threads(
    function: Callable[[T], R],
    items: Iterable[T],
    *,
    threads: int,
    tick: Tick = quiet,
    stop: Stop = never,
) -> list[R]:
    """Apply a function to items in threads, few at a time.

    No more than `threads` items are under way or waiting to be taken up, so
    that memory does not grow with their number.

    Parameters
    ----------
    function : callable
        Takes one item; must let go of the GIL for threads to help.
    items : iterable
        What to work on; drawn from the calling thread.
    threads : int
        How many at once, at least 1; with 1 all runs in the calling thread.
    tick : callable
        Called after each item, in the calling thread.
    stop : callable
        Asked before each item.

    Returns
    -------
    list
        The results, in the order of the items.

    Raises
    ------
    Cancelled
        If `stop` answered True; what was under way has ended by then.
    """
    results: dict[int, R] = {}
    if threads <= 1:
        for index, item in enumerate(items):
            if stop():
                raise Cancelled
            results[index] = function(item)
            tick()
        return list(results.values())
    with ThreadPoolExecutor(threads) as pool:
        pending: dict[Future[R], int] = {}
        for index, item in enumerate(items):
            if len(pending) >= threads:
                _collect(pending, results, tick)
            if stop():
                _collect(pending, results, tick)
                raise Cancelled
            pending[pool.submit(function, item)] = index
        while pending:
            if stop():
                raise Cancelled
            _collect(pending, results, tick)
    return [results[index] for index in sorted(results)]


def _collect(pending: dict[Future[R], int], results: dict[int, R], tick: Tick) -> None:
    """Move what is done from `pending` to `results`; an error comes out here."""
    if not pending:
        return
    done, _ = wait(pending, return_when=FIRST_COMPLETED)
    for future in done:
        results[pending.pop(future)] = future.result()
        tick()
