"""The thread that work is done in, one piece of work at a time."""

from PySide6.QtCore import QObject, QThread, Signal, Slot

from stackbench.job.progress import Step
from stackbench.window.meter import Reading
from stackbench.window.worker import Work, Worker


class WorkThread(QObject):
    """Has work done, and hears of it; what was left is not heard of any more.

    `told` and `progressed` come while the work goes on, and one of `done`,
    `cancelled` and `failed` at its end, after `changed`, which tells that work
    began or ended.

    Parameters
    ----------
    parent : QObject
        What it belongs to.
    """

    changed = Signal()
    told = Signal(object)
    progressed = Signal(object)  # Reading
    done = Signal(object)
    cancelled = Signal()
    failed = Signal(str)

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._generation = 0
        self._worker: Worker | None = None
        self._thread: QThread | None = None

    @property
    def working(self) -> bool:
        """Whether work is under way.

        Returns
        -------
        bool
            From the start to the moment when its end was heard.
        """
        return self._worker is not None

    def begin(self, work: Work, *, first: Step = Step.FIND) -> None:
        """Begin a piece of work; none may be under way.

        Parameters
        ----------
        work : callable
            As `Worker` takes it.
        first : Step
            The step that it begins with.
        """
        self._generation += 1
        worker = Worker(work, generation=self._generation, first=first)
        thread = QThread()
        worker.moveToThread(thread)
        thread.started.connect(worker.run)
        worker.told.connect(self._hear)
        worker.progressed.connect(self._progress)
        worker.done.connect(self._done)
        worker.cancelled.connect(self._cancelled)
        worker.failed.connect(self._failed)
        self._worker, self._thread = worker, thread
        thread.start()
        self.changed.emit()

    def cancel(self) -> None:
        """Ask the work under way to stop."""
        if self._worker is not None:
            self._worker.cancel()

    def leave(self) -> None:
        """Stop the work, wait for its end, and hear no more of it."""
        self.cancel()
        self._generation += 1
        self._let_go()

    @Slot(int, object)
    def _hear(self, generation: int, what: object) -> None:
        if generation == self._generation:
            self.told.emit(what)

    @Slot(int, object)
    def _progress(self, generation: int, reading: Reading) -> None:
        if generation == self._generation:
            self.progressed.emit(reading)

    @Slot(int, object)
    def _done(self, generation: int, result: object) -> None:
        if self._end(generation):
            self.done.emit(result)

    @Slot(int)
    def _cancelled(self, generation: int) -> None:
        if self._end(generation):
            self.cancelled.emit()

    @Slot(int, str)
    def _failed(self, generation: int, words: str) -> None:
        if self._end(generation):
            self.failed.emit(words)

    def _end(self, generation: int) -> bool:
        """Let the thread go; False for work that nobody waits for any more."""
        if generation != self._generation:
            return False
        self._let_go()
        self.changed.emit()
        return True

    def _let_go(self) -> None:
        if self._thread is not None:
            self._thread.quit()
            self._thread.wait()
        self._worker = self._thread = None
