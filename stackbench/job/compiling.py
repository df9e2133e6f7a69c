"""Compiling, which the first run after an installation does once.

numba compiles one kernel at a time in a process. So helpers, processes of
their own, compile what later steps of the job need while the job compiles
what it needs now; the machine code on disk is how the job gets it.
"""

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Literal

from stackbench.frames.machinecode import machine_code_folder
from stackbench.job.progress import Progress

Part = Literal["rejection", "stars", "resampling", "gaps", "turns", "noise", "channels"]

AFTER_MASTERS: tuple[Part, ...] = ("stars", "resampling", "gaps", "turns", "noise", "channels")
"""What the steps after the masters need, in their order."""

_TEXT = "First run since the installation: compiling, once, for half a minute or so."
_PARTS: tuple[Part, ...] = ("rejection", *AFTER_MASTERS)
# Far longer than a part takes. A helper that hangs costs this, and the job compiles then.
_PATIENCE_S = 180.0


class Compiling:
    """The compiling of one job, and its helpers; to be begun from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._helpers: list[_Helper] = []

    def begin(self, progress: Progress, kernel: Callable[..., Any], *ahead: Part) -> None:
        """Say so, and start helpers, if a kernel must be compiled before work begins.

        Parameters
        ----------
        progress : Progress
            Who hears of it.
        kernel : callable
            One of the kernels that the work begins with.
        *ahead : str
            Which kernels of later steps helpers compile ahead, in the order in
            which they are needed.
        """
        from stackbench.frames.compiled import is_on_disk

        if not is_on_disk(kernel):
            self._start(progress, ahead)

    def begin_early(self, progress: Progress, *ahead: Part) -> None:
        """Say so, and start helpers, if nothing was ever compiled.

        Needs no compiler to tell, so that helpers work while the job still
        loads its libraries and sums its files.

        Parameters
        ----------
        progress : Progress
            Who hears of it.
        *ahead : str
            As for `begin`.
        """
        if not machine_code_folder().is_dir():
            self._start(progress, ahead)

    def _start(self, progress: Progress, ahead: tuple[Part, ...]) -> None:
        with self._lock:
            if self._helpers:
                return
            progress.say(_TEXT)
            # the job itself has work for one processor, and loading a helper takes a second
            count = max(1, min(len(ahead), (os.cpu_count() or 1) - 1))
            self._helpers = [_Helper(ahead[k::count]) for k in range(count)]

    def wait(self, *parts: Part) -> None:
        """Wait for helpers, before work begins that needs what they compile.

        Who would wait compiles meanwhile what no helper is at yet.

        Parameters
        ----------
        *parts : str
            Which kernels the work needs; those that no helper has are no matter.
        """
        done = {part: event for helper in self._helpers for part, event in helper.done.items()}
        awaited = [done[part] for part in parts if part in done]
        if not all(event.is_set() for event in awaited):
            self._take_over(done)
        for event in awaited:
            event.wait(_PATIENCE_S)

    def _take_over(self, done: dict[str, threading.Event]) -> None:
        from stackbench.job.practising import practise

        for part, event in reversed(done.items()):
            if not event.is_set() and practise(part, patient=False):
                event.set()

    def close(self) -> None:
        """End the helpers that the job no longer needs."""
        for helper in self._helpers:
            helper.end()
        self._helpers.clear()


@contextmanager
def compiled_meanwhile() -> Iterator[None]:
    """Compile all there is while a person still chooses what to work on.

    Does nothing when there is machine code already. A job that begins before
    the end starts helpers as ever, who wait for what is being compiled.
    """
    helper = None if machine_code_folder().is_dir() else _Helper(_PARTS)
    try:
        yield
    finally:
        if helper is not None:
            helper.end()


class _Helper:
    """A process that compiles parts; what it leaves undone, the job compiles itself.

    `done` has an event for each part, set when it is compiled, or the process ended.
    """

    def __init__(self, parts: tuple[Part, ...]) -> None:
        self.done: dict[str, threading.Event] = {part: threading.Event() for part in parts}
        self._process = subprocess.Popen(  # noqa: S603 - this interpreter, names of parts
            [sys.executable, "-m", "stackbench.job.practising", *parts],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # of Windows
        )
        self._listener = threading.Thread(target=self._listen, name="compiling", daemon=True)
        self._listener.start()

    def _listen(self) -> None:
        with self._process as process:
            for line in process.stdout or ():
                told = self.done.get(line.strip())
                if told is not None:  # whatever else a library may print
                    told.set()
        for done in self.done.values():
            done.set()

    def end(self) -> None:
        """End the process, whatever it is at."""
        self._process.kill()
        self._listener.join()
