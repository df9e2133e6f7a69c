"""Progress bars on a terminal, plain lines elsewhere."""

import sys
import threading
import time
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.progress import Progress as Bars

from stackbench.job.progress import Progress, Step

# A step that takes less is not worth a line in a log file.
_WORTH_A_LINE_S = 1.0


class ConsoleProgress(Progress):
    """Shows a job's steps with time left; a context manager.

    Parameters
    ----------
    console : Console, optional
        Where to write; standard error if None, so that standard output stays
        free for what was asked for.
    """

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or Console(file=sys.stderr, highlight=False)
        self._lock = threading.Lock()
        self._tasks: dict[Step, TaskID] = {}
        self._began: dict[Step, float] = {}
        self._said: set[str] = set()
        self._bars = Bars(
            TextColumn("{task.description:<20}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TimeRemainingColumn(),
            console=self._console,
            disable=not self._console.is_terminal,
        )

    def __enter__(self) -> Self:
        """Start drawing."""
        self._bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop drawing and leave the bars as they are."""
        self._bars.stop()

    def begin(self, step: Step, total: int) -> None:
        """Add the step's bar; see Progress."""
        with self._lock:
            self._began[step] = time.monotonic()
            self._tasks[step] = self._bars.add_task(step.value, total=total)

    def advance(self, step: Step, pieces: int = 1) -> None:
        """Move the step's bar; see Progress."""
        self._bars.advance(self._tasks[step], pieces)

    def end(self, step: Step) -> None:
        """Fill the step's bar; see Progress."""
        task = self._tasks[step]
        total = self._bars.tasks[task].total
        self._bars.update(task, completed=total, refresh=True)
        seconds = time.monotonic() - self._began[step]
        if not self._console.is_terminal and seconds >= _WORTH_A_LINE_S:
            self._console.print(f"{step.value}: {seconds:.1f} s")

    def say(self, text: str) -> None:
        """Print a line above the bars, each line once; see Progress."""
        if text in self._said:
            return
        self._said.add(text)
        self._console.print(text, markup=False, soft_wrap=True)
