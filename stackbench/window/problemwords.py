"""Problems as they are listed: those of several files once, with the files' names."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stackbench.frames.records import Problem
from stackbench.job.recipes import nothing_kept
from stackbench.job.sessionstate import SessionState


def standing(state: SessionState) -> tuple[Problem, ...]:
    """List the problems that stand by now.

    Parameters
    ----------
    state : SessionState
        The state.

    Returns
    -------
    tuple of Problem
        That nothing was stacked does not stand where it is decided otherwise since.
    """
    gone = {nothing_kept(state.groups[number]) for number in state.stale}
    return tuple(one for one in state.problems if one not in gone)


def alike(problems: Sequence[Problem]) -> dict[Problem, list[Path]]:
    """Put together what is said alike of several files.

    Parameters
    ----------
    problems : sequence of Problem
        The problems.

    Returns
    -------
    dict of Problem to list of Path
        Each without its path, and the files that it was said of.
    """
    together: dict[Problem, list[Path]] = {}
    for problem in problems:
        paths = together.setdefault(replace(problem, path=None), [])
        if problem.path is not None:
            paths.append(problem.path)
    return together


def files_words(paths: Sequence[Path]) -> str:
    """Name the files that a problem is about.

    Parameters
    ----------
    paths : sequence of Path
        The files.

    Returns
    -------
    str
        The first with the number of others; empty for none.
    """
    if not paths:
        return ""
    return f"{paths[0].name} and {len(paths) - 1} more" if len(paths) > 1 else paths[0].name
