"""Compiling, which the first run after an installation does once.

numba compiles one kernel at a time in a process. So helpers, processes of
their own, compile what later steps of the job need while the job compiles
what it needs now; the machine code on disk is how the job gets it.
"""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Literal

from stackbench.frames.machinecode import machine_code_folder
from stackbench.job.progress import Progress

Part = Literal["stars", "channels", "rejection"]

_TEXT = "First run since the installation: compiling, once, for half a minute or so."
_PARTS: tuple[Part, ...] = ("rejection", "stars", "channels")


class Compiling:
    """The compiling of one job, and its helpers; to be begun from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._helpers: dict[Part, subprocess.Popen[bytes]] = {}

    def begin(self, progress: Progress, kernel: Callable[..., Any], *ahead: Part) -> None:
        """Say so, and start helpers, if a kernel must be compiled before work begins.

        Parameters
        ----------
        progress : Progress
            Who hears of it.
        kernel : callable
            One of the kernels that the work begins with.
        *ahead : str
            Which kernels of later steps are compiled ahead, each by a helper.
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
            for part in ahead:
                self._helpers[part] = _helper(part)

    def wait(self, *parts: Part) -> None:
        """Wait for helpers, before work begins that needs what they compile.

        Parameters
        ----------
        *parts : str
            Which kernels the work needs; those that no helper has are no matter.
        """
        for part in parts:
            if part in self._helpers:
                self._helpers[part].wait()

    def close(self) -> None:
        """End the helpers that the job no longer needs."""
        for helper in self._helpers.values():
            helper.kill()
            helper.wait()
        self._helpers.clear()


@contextmanager
def compiled_meanwhile() -> Iterator[None]:
    """Compile all there is while a person still chooses what to work on.

    Does nothing when there is machine code already. A job that begins before
    the end starts helpers as ever, who wait for what is being compiled.
    """
    helper = None if machine_code_folder().is_dir() else _helper(*_PARTS)
    try:
        yield
    finally:
        if helper is not None:
            helper.kill()
            helper.wait()


def _helper(*parts: Part) -> subprocess.Popen[bytes]:
    """Start a process that compiles; what it leaves undone, the job compiles itself."""
    return subprocess.Popen(  # noqa: S603 - this interpreter, names of parts
        [sys.executable, "-m", "stackbench.job.practising", *parts],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),  # of Windows
    )
