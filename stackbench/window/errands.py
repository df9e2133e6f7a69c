"""Questions about products that take a while, answered off the event loop."""

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future, ThreadPoolExecutor

from PySide6.QtCore import QObject, Signal, Slot

from stackbench.frames.work import Cancelled, Stop
from stackbench.job.progress import Progress, Step
from stackbench.window.failurewords import FORESEEN, failure_words

logger = logging.getLogger(__name__)

Ask = Callable[[Progress, Stop], object]
_MOST_KEPT = 64
_THREADS = 2  # a short question need not wait for a long one


class Errands(QObject):
    """Has questions answered in two threads, in the order in which they came.

    Each ends with exactly one of `answered`, `failed` and `dropped`, which
    come with the key that it was asked under, unless `clear` ended it.
    `advanced` tells how many pieces of how many are done.

    Parameters
    ----------
    parent : QObject, optional
        What it belongs to.
    """

    answered = Signal(object)
    failed = Signal(object, str)
    dropped = Signal(object)
    advanced = Signal(object, int, int)
    _counted = Signal(int, object, int, int)  # generation, key, done, total
    _ended = Signal(int, object, object, object)  # generation, key, why it failed, answer

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._answers: OrderedDict[Hashable, object] = OrderedDict()
        self._under_way: dict[Hashable, tuple[threading.Event, Future[None]]] = {}
        self._generation = 0
        self._pool = ThreadPoolExecutor(_THREADS, thread_name_prefix="errands")
        self._counted.connect(self._count)
        self._ended.connect(self._end)

    def known(self, key: Hashable) -> bool:
        """Tell whether there is an answer.

        Parameters
        ----------
        key : hashable
            What it was asked under.

        Returns
        -------
        bool
            Also True for an answer that is None.
        """
        return key in self._answers

    def get(self, key: Hashable) -> object:
        """Give an answer.

        Parameters
        ----------
        key : hashable
            What it was asked under.

        Returns
        -------
        object
            None when there is none.
        """
        return self._answers.get(key)

    def asked(self, key: Hashable) -> bool:
        """Tell whether an answer is still to come.

        Parameters
        ----------
        key : hashable
            What it was asked under.

        Returns
        -------
        bool
            True until its end was heard.
        """
        return key in self._under_way

    def ask(self, key: Hashable, question: Ask) -> None:
        """Ask something, unless it is answered or asked already.

        Parameters
        ----------
        key : hashable
            What it is asked under.
        question : callable
            Answers it, in another thread.
        """
        if key in self._answers or key in self._under_way:
            return
        stop = threading.Event()
        future = self._pool.submit(self._answer, self._generation, key, question, stop)
        self._under_way[key] = (stop, future)

    def drop(self, key: Hashable) -> None:
        """Give up a question; `dropped` comes once that is so.

        Parameters
        ----------
        key : hashable
            What it was asked under.
        """
        if key in self._under_way:
            self._under_way[key][0].set()

    def clear(self) -> None:
        """Give up all questions, wait for those at hand, and forget the answers."""
        self._generation += 1
        for stop, _ in self._under_way.values():
            stop.set()
        for _, future in self._under_way.values():
            future.result()
        self._under_way.clear()
        self._answers.clear()

    def close(self) -> None:
        """End the threads."""
        self.clear()
        self._pool.shutdown()

    def _answer(self, generation: int, key: Hashable, question: Ask, stop: threading.Event) -> None:
        why: str | None = None
        answer: object = None
        progress = _Counter(lambda done, total: self._counted.emit(generation, key, done, total))
        try:
            if stop.is_set():
                raise Cancelled
            answer = question(progress, stop.is_set)
        except Cancelled:
            why = ""
        except FORESEEN as error:
            why = failure_words(error)
        except Exception as error:
            logger.exception("an errand failed")
            why = failure_words(error)
        self._ended.emit(generation, key, why, answer)

    @Slot(int, object, int, int)
    def _count(self, generation: int, key: Hashable, done: int, total: int) -> None:
        if generation == self._generation:
            self.advanced.emit(key, done, total)

    @Slot(int, object, object, object)
    def _end(self, generation: int, key: Hashable, why: str | None, answer: object) -> None:
        if generation != self._generation:
            return
        del self._under_way[key]
        if why is None:
            self._answers[key] = answer
            while len(self._answers) > _MOST_KEPT:
                self._answers.popitem(last=False)
            self.answered.emit(key)
        elif why:
            self.failed.emit(key, why)
        else:
            self.dropped.emit(key)


class _Counter(Progress):
    """Counts the pieces of an errand."""

    def __init__(self, tell: Callable[[int, int], None]) -> None:
        self._tell = tell
        self._done = self._total = 0

    def begin(self, step: Step, total: int) -> None:  # noqa: ARG002
        self._done, self._total = 0, total
        self._tell(0, total)

    def advance(self, step: Step, pieces: int = 1) -> None:  # noqa: ARG002
        self._done += pieces
        self._tell(self._done, self._total)
