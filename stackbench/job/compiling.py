"""The word on compiling, which the first run after an installation does once."""

from collections.abc import Callable
from typing import Any

from stackbench.job.bench import Bench

_TEXT = "First run since the installation: compiling, once, for a quarter of a minute or so."


def say_if_compiling(bench: Bench, kernel: Callable[..., Any]) -> None:
    """Tell the person when a kernel must be compiled before the work begins.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    kernel : callable
        One of the kernels that the work begins with.
    """
    from stackbench.frames.compiled import is_on_disk

    if not is_on_disk(kernel):
        bench.progress.say(_TEXT)
