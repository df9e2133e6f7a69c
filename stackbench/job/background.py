"""Finishing one thing in the background while the next is worked on."""

import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Any, Self, TypeVar

R = TypeVar("R")


class Background:
    """Does one thing at a time in a thread of its own; a context manager.

    Writing a product waits for the disk, and measuring a stack keeps one
    processor busy: both can go on while the next product is made. Few things
    wait for their turn, so that memory does not grow with their number.

    Parameters
    ----------
    waiting : int
        How many things may wait behind the one that is under way.
    """

    def __init__(self, *, waiting: int = 0) -> None:
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="background")
        self._waiting = waiting
        self._begun: deque[Future[Any]] = deque()
        self._turn = threading.Lock()

    def __enter__(self) -> Self:
        """Return the background itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wait for what is under way; its error comes out unless there is one already."""
        self._pool.shutdown(wait=True)
        if error is None:
            self.finish()

    def start(self, function: Callable[[], R]) -> Future[R]:
        """Begin a thing as soon as those before it are done; from any thread.

        Parameters
        ----------
        function : callable
            Does it.

        Returns
        -------
        Future
            Its result. An error also comes out of the next `start` or
            `finish`, so that none is lost.
        """
        with self._turn:
            while len(self._begun) > self._waiting:
                self._begun.popleft().result()
            future = self._pool.submit(function)
            self._begun.append(future)
        return future

    def finish(self) -> None:
        """Wait for all that was begun; the first error comes out here."""
        while self._begun:
            self._begun.popleft().result()
