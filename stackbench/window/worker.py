"""Work in a thread of its own, heard through signals."""

import logging
import os
import sys
import threading
import time
from collections.abc import Callable

from PySide6.QtCore import QObject, Signal, Slot

from stackbench.frames.work import Cancelled, Stop
from stackbench.job.progress import Progress, Step
from stackbench.window.failurewords import FORESEEN, failure_words
from stackbench.window.meter import Meter

logger = logging.getLogger(__name__)

Tell = Callable[[object], None]
Work = Callable[[Progress, Stop, Tell], object]

# Twenty readings a second look smooth and cost nothing.
_READ_EVERY_S = 0.05
# Work has more threads than a small machine has processors. With equal rights the event loop
# waits for its turn among them: what takes it 80 ms by itself held it up for 350.
_NICE = 5


class Worker(QObject):
    """Does one piece of work; ends with exactly one of done, cancelled, failed.

    Parameters
    ----------
    work : callable
        Called with a Progress, a Stop, and what it may tell in between.
    generation : int
        Comes with every signal, so that a receiver can tell a stale one.
    first : Step
        The step that the work begins with.
    """

    told = Signal(int, object)
    progressed = Signal(int, object)  # Reading
    done = Signal(int, object)
    cancelled = Signal(int)
    failed = Signal(int, str)

    def __init__(self, work: Work, *, generation: int, first: Step = Step.FIND) -> None:
        super().__init__()
        self._work = work
        self._generation = generation
        self._first = first
        self._stop = threading.Event()

    def cancel(self) -> None:
        """Ask the work to stop; to be called directly, from any thread."""
        self._stop.set()

    @Slot()
    def run(self) -> None:
        """Do the work."""
        _give_way()
        generation = self._generation
        meter = Meter(started=time.monotonic(), first=self._first)
        progress = _Reporter(meter, lambda reading: self.progressed.emit(generation, reading))
        try:
            result = self._work(
                progress, self._stop.is_set, lambda what: self.told.emit(generation, what)
            )
        except Cancelled:
            self.cancelled.emit(generation)
        except FORESEEN as error:
            self.failed.emit(generation, failure_words(error))
        except Exception as error:
            logger.exception("the work failed")
            self.failed.emit(
                generation,
                f"{failure_words(error)} "
                "What was finished stays; try again, and report it if it comes back.",
            )
        else:
            self.done.emit(generation, result)


def _give_way() -> None:
    """Let the event loop go before this thread and those that it will start."""
    if sys.platform == "linux":  # elsewhere a thread has no niceness of its own
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), _NICE)


class _Reporter(Progress):
    """Counts for a meter and reports readings, not too many."""

    def __init__(self, meter: Meter, report: Callable[[object], None]) -> None:
        self._meter = meter
        self._report = report
        self._lock = threading.Lock()
        self._last = float("-inf")

    def begin(self, step: Step, total: int) -> None:
        with self._lock:
            self._meter.begin(step, total)
            self._read(now=time.monotonic())

    def advance(self, step: Step, pieces: int = 1) -> None:  # noqa: ARG002
        with self._lock:
            self._meter.advance(pieces)
            now = time.monotonic()
            if now - self._last >= _READ_EVERY_S:
                self._read(now=now)

    def end(self, step: Step) -> None:  # noqa: ARG002
        with self._lock:
            self._read(now=time.monotonic())

    def _read(self, *, now: float) -> None:
        self._last = now
        self._report(self._meter.read(now))
