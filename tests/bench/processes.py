"""Run a command in a process of its own and tell what it cost."""

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


class RunFailed(Exception):  # noqa: N818 - what happened, in a word
    """A command ended with an error; the message holds what it printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a process cost from its start to its end.

    `processor_s` and `peak_gib` are None where the system does not tell
    (Windows). The peak counts all pages in memory, those of mapped files too.
    `printed` is what it wrote to its output and error streams.
    """

    began: float
    seconds: float
    processor_s: float | None
    peak_gib: float | None
    printed: str


def run(arguments: Sequence[str | Path], *, extra: Mapping[str, str] | None = None) -> Cost:
    """Run Python with arguments and wait for its end.

    The process that calls this must be small: on Linux a new process inherits
    the peak memory of the one that starts it.

    Parameters
    ----------
    arguments : sequence of str or Path
        What comes after `python`.
    extra : mapping of str, optional
        More environment variables.

    Returns
    -------
    Cost
        The whole process with its start-up.

    Raises
    ------
    RunFailed
        If it does not end with exit code 0.
    """
    words = [sys.executable, *map(str, arguments)]
    environment = {**os.environ, **(extra or {})}
    with tempfile.TemporaryFile() as stream:
        began = time.time()
        start = time.perf_counter()
        process = subprocess.Popen(
            words, cwd=ROOT, env=environment, stdout=stream, stderr=subprocess.STDOUT
        )
        processor_s, peak_gib = _wait(process)
        seconds = time.perf_counter() - start
        stream.seek(0)
        printed = stream.read().decode("utf-8", errors="replace")
    if process.returncode != 0:
        raise RunFailed(f"{' '.join(words)} ended with {process.returncode}:\n{printed}")
    return Cost(
        began=began, seconds=seconds, processor_s=processor_s, peak_gib=peak_gib, printed=printed
    )


def _wait(process: subprocess.Popen[bytes]) -> tuple[float | None, float | None]:
    """Wait for a process; tell its processor time, s, and its peak memory, GiB."""
    if sys.platform == "win32":
        process.wait()
        return None, None
    # Unlike RUSAGE_CHILDREN, which keeps the maximum over all of them, this is
    # about the one process.
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    unit = 1 << 30 if sys.platform == "darwin" else 1 << 20
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / unit
