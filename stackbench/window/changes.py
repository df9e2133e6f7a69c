"""Changes to a session, carried out beside the event loop, one after the other."""

import logging
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait

from PySide6.QtCore import QObject, Signal, Slot

from stackbench.window.failurewords import FORESEEN, failure_words

logger = logging.getLogger(__name__)

Then = Callable[[object], None]


class Changes(QObject):
    """Has a session changed or asked in a thread, in the order in which that was wanted.

    A decision is written to the disk and judged anew over all subs, which
    may take a quarter of a second, and waits for a job that does the same.
    `refused` says why something could not be done, `settled` comes when
    nothing more is under way.

    Parameters
    ----------
    parent : QObject, optional
        What it belongs to.
    """

    refused = Signal(str)
    settled = Signal()
    _ended = Signal(int, object, object, object)  # generation, what then, why it failed, result

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._generation = 0
        self._left = 0
        self._last: Future[None] | None = None
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="changes")
        self._ended.connect(self._end)

    @property
    def under_way(self) -> bool:
        """Whether the end of something was not heard yet.

        Returns
        -------
        bool
            False when nothing was wanted, or all of it is done.
        """
        return self._left > 0

    def begin(self, change: Callable[[], object], then: Then) -> None:
        """Have something done after all that was wanted before.

        Parameters
        ----------
        change : callable
            Does it, in another thread.
        then : callable
            Called in the event loop with what it gave; not if it failed, nor
            after `clear`.
        """
        self._left += 1
        self._last = self._pool.submit(self._do, self._generation, change, then)

    def settle(self) -> None:
        """Wait until all that was wanted is done, though not heard; from any thread."""
        if self._last is not None:
            wait([self._last])

    def clear(self) -> None:
        """Wait for what was wanted, and hear of none of it."""
        self.settle()
        self._generation += 1
        self._left = 0

    def close(self) -> None:
        """End the thread."""
        self.clear()
        self._pool.shutdown()

    def _do(self, generation: int, change: Callable[[], object], then: Then) -> None:
        why, result = None, None
        try:
            result = change()
        except FORESEEN as error:
            why = failure_words(error)
        except Exception as error:
            logger.exception("a change failed")
            why = failure_words(error)
        self._ended.emit(generation, then, why, result)

    @Slot(int, object, object, object)
    def _end(self, generation: int, then: Then, why: str | None, result: object) -> None:
        if generation != self._generation:
            return
        self._left -= 1
        if why is None:
            then(result)
        else:
            self.refused.emit(why)
        if not self._left:
            self.settled.emit()
