"""Run Python in a process of its own and tell what it cost."""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
_LAUNCHER = Path(__file__).with_name("launcher.py")


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
    words = list(map(str, arguments))
    with tempfile.TemporaryDirectory() as folder:
        told, printed = Path(folder, "cost.json"), Path(folder, "printed.txt")
        with printed.open("wb") as stream:
            # The one in between is small: on Linux a process begins with the
            # peak memory of the process that starts it.
            subprocess.run(
                [sys.executable, "-S", str(_LAUNCHER), str(told), *words],
                cwd=ROOT, env={**os.environ, **(extra or {})},
                stdout=stream, stderr=subprocess.STDOUT, check=True,
            )  # fmt: skip
        text = printed.read_text(encoding="utf-8", errors="replace")
        cost = json.loads(told.read_text(encoding="utf-8"))
    code = cost.pop("code")
    if code != 0:
        raise RunFailed(f"python {' '.join(words)} ended with {code}:\n{text}")
    return Cost(printed=text, **cost)
