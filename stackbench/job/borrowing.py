"""Masters of earlier nights: which ones serve this night, and which are kept of it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stackbench.calibration.matching import CalibrationPlan, MatchingOptions, plan_calibration
from stackbench.calibration.records import CalibrationSet
from stackbench.frames.records import Frame, Problem
from stackbench.frames.scan import SESSION_STORE_NAME
from stackbench.job.bench import WrongUseError
from stackbench.job.keys import file_mark
from stackbench.job.library import (
    Library,
    LibraryError,
    LibraryMaster,
    State,
    state_of,
    without_paths,
)
from stackbench.job.masterfacts import master_facts
from stackbench.job.remembering import remembered_masters
from stackbench.job.store import Store


def plan_with_library(
    frames: Sequence[Frame],
    library: Library | None,
    *,
    options: MatchingOptions | None = None,
) -> tuple[CalibrationPlan, tuple[Problem, ...]]:
    """Choose the calibration of every light and flat, from the night and the library.

    Parameters
    ----------
    frames : sequence of Frame
        All frames of the job.
    library : Library or None
        The person's library; None uses none.
    options : MatchingOptions, optional
        How darks are brought to lights that differ from them.

    Returns
    -------
    CalibrationPlan
        No stored master in it is damaged: those that would serve are read, and
        passed over when their checksum is not that of the index.
    tuple of Problem
        The damaged and missing ones, or why the library could not be read.
    """
    problems: list[Problem] = []
    stored: list[CalibrationSet] = []
    try:
        stored = [] if library is None else [one.as_set() for one in library.masters()]
    except LibraryError as error:
        problems.append(
            Problem(
                what="The master library is not used",
                why=str(error),
                remedy="mend the library and run again; until then the night's own frames must do",
            )
        )
    while True:
        plan = plan_calibration(frames, stored=stored, options=options)
        damages = {one: problem for one in plan.sets if (problem := _damage(one)) is not None}
        if not damages:
            return plan, tuple(problems)
        problems += damages.values()
        stored = [one for one in stored if one not in damages]


def _damage(one: CalibrationSet) -> Problem | None:
    """Tell what is wrong with a stored master; None when nothing is, or it is none."""
    kept = one.stored
    if kept is None:
        return None
    state = state_of(kept.path, kept.sha256)
    if state is State.GOOD:
        return None
    why = (
        "its file is not there any more"
        if state is State.MISSING
        else "its checksum is not that of the index: the file has changed or cannot be read"
    )
    return Problem(
        path=kept.path,
        what=f"A master {one.kind} of the library is not used: {state}",
        why=why,
        remedy="remove it with 'stackbench library remove' and add the master again",
    )


def keep_masters(library: Library, store: Store, out: Path) -> tuple[list[LibraryMaster], int]:
    """Add the masters that the last job in a folder worked with to the library.

    Parameters
    ----------
    library : Library
        The library.
    store : Store
        The store of the job's output folder.
    out : Path
        The folder.

    Returns
    -------
    list of LibraryMaster
        Those that were added.
    int
        How many were there already.

    Raises
    ------
    LibraryError
        If the library cannot be written.
    WriteError
        If a file cannot be written.
    """
    added: list[LibraryMaster] = []
    known = 0
    # others of the folder were given up: their frames were taken for another kind, say
    used = remembered_masters(store)
    for key, record in store.recall_all("master"):
        path = _finished(out, record) if used is None or key in used else None
        if path is None:
            continue
        facts = without_paths(master_facts().validate_python(record["facts"]))
        new = library.add(path, facts, made_of=key)
        if new is None:
            known += 1
        else:
            added.append(new)
    return added, known


def keep_masters_of(library: Library, out: Path) -> tuple[list[LibraryMaster], int]:
    """Add the masters of a finished job to the library, by its output folder.

    Parameters
    ----------
    library : Library
        The library.
    out : Path
        The job's output folder.

    Returns
    -------
    list of LibraryMaster
        Those that were added.
    int
        How many were there already.

    Raises
    ------
    WrongUseError
        If the folder is no output folder.
    StoreError
        If its store cannot be read.
    LibraryError
        If the library cannot be written.
    WriteError
        If a file cannot be written.
    """
    if not (out / SESSION_STORE_NAME).is_file():
        raise WrongUseError(
            f"{out}: no stackbench job was done in this folder; name a job's output folder"
        )
    with Store(out / SESSION_STORE_NAME) as store:
        return keep_masters(library, store, out)


def _finished(out: Path, record: dict[str, Any]) -> Path | None:
    """Give the file of a master that is still as the job left it."""
    if record["facts"] is None:
        return None
    name, mark = record["file"]
    path = out / "masters" / str(name)
    return path if file_mark(path) == mark else None
