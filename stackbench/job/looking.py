"""What lies in the nights' folders: the frames found, and what will calibrate what."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stackbench.frames.records import Frame, Problem
from stackbench.job.bench import Bench
from stackbench.job.finding import Found, find_again, find_frames
from stackbench.job.overview import Overview, overview_of
from stackbench.job.remembering import remember_nights


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What lies in the nights' folders, and what will calibrate what."""

    folders: tuple[Path, ...]
    found: Found
    overview: Overview


def look_through(
    bench: Bench,
    folders: Sequence[Path],
    *,
    listed: Callable[[Overview], None] = lambda _: None,
) -> Looked:
    """Find the frames and plan their calibration; headers only.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    folders : sequence of Path
        The nights' folders.
    listed : callable
        Called with what the headers tell, before new files are read to their
        end, which takes minutes for a large night.

    Returns
    -------
    Looked
        Frames, groups, what serves them and what is missing.

    Raises
    ------
    Cancelled
        If the bench's `stop` answered True.
    """
    folders = tuple(folder.resolve() for folder in folders)
    remember_nights(bench.store, folders)
    found = find_frames(
        bench, folders, listed=lambda frames, problems: listed(_planned(bench, frames, problems))
    )
    overview = _planned(bench, found.frames, found.problems)
    return Looked(folders=folders, found=found, overview=overview)


def look_again(bench: Bench, looked: Looked) -> Looked:
    """Plan anew after kinds or filters were set by hand; no file is read.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store has what was set.
    looked : Looked
        What was found.

    Returns
    -------
    Looked
        The same frames, grouped and served as they are labelled now.
    """
    found = find_again(bench, looked.folders, looked.found)
    overview = _planned(bench, found.frames, found.problems)
    return replace(looked, found=found, overview=overview)


def _planned(bench: Bench, frames: Sequence[Frame], problems: Sequence[Problem]) -> Overview:
    return overview_of(frames, problems, library=bench.library, options=bench.settings.calibration)
