"""The first step: find the frames, their facts and their checksums."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackbench.frames.checksums import file_sha256
from stackbench.frames.errors import unreadable
from stackbench.frames.records import Frame, Problem
from stackbench.frames.scan import scan_folders
from stackbench.frames.setups import with_common_focal_lengths
from stackbench.frames.targets import with_targets
from stackbench.frames.words import counted
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.progress import Step
from stackbench.job.warming import warm_up


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The frames of a job that can be used, and those that cannot.

    `checksums` gives each frame's SHA-256 in hexadecimal by its path.
    """

    frames: tuple[Frame, ...]
    problems: tuple[Problem, ...]
    checksums: Mapping[Path, str]


Listed = Callable[[tuple[Frame, ...], tuple[Problem, ...]], None]


def _unheard(frames: tuple[Frame, ...], problems: tuple[Problem, ...]) -> None:
    """Let nobody hear of it."""


def find_frames(bench: Bench, folders: Sequence[Path], *, listed: Listed = _unheard) -> Found:
    """Find all frames of a job.

    Parameters
    ----------
    bench : Bench
        The job's bench; files that have not changed since an earlier run are
        not opened again.
    folders : sequence of Path
        The nights' folders, searched with all folders in them.
    listed : callable
        Called with the frames and problems as the headers tell of them, before
        any file is read to its end; not called when no file is new.

    Returns
    -------
    Found
        Frames with targets, problems, and checksums.
    """
    bench.progress.begin(Step.FIND, 1)
    scan = scan_folders(folders, skip=[bench.out], known=bench.store.known_frame)
    bench.progress.end(Step.FIND)
    checksums = _known_checksums(bench, scan.frames)
    new = [frame.path for frame in scan.frames if frame.path not in checksums]
    if new:
        listed(_completed(scan.frames, folders), scan.problems)
    try:
        unread = _take_checksums(bench, new, checksums)
    finally:  # also when stopped: a night's checksums take minutes on a slow disk
        frames = [frame for frame in scan.frames if frame.path in checksums]
        bench.store.learn_frames(frames, checksums)
    frames, copied = _without_copies(frames, checksums)
    return Found(
        frames=_completed(frames, folders),
        problems=(*scan.problems, *unread, *copied),
        checksums=checksums,
    )


def _completed(frames: Sequence[Frame], folders: Sequence[Path]) -> tuple[Frame, ...]:
    """Add what frames tell of each other."""
    return tuple(with_targets(with_common_focal_lengths(frames), folders=folders))


def _without_copies(
    frames: Sequence[Frame], checksums: Mapping[Path, str]
) -> tuple[list[Frame], list[Problem]]:
    """Leave out copies of files: stacked twice, a sub would pass for two."""
    originals: dict[str, Frame] = {}
    copies: dict[Path, list[Frame]] = {}
    for frame in frames:
        if originals.setdefault(checksums[frame.path], frame) is not frame:
            copies.setdefault(frame.path.parent, []).append(frame)
    problems = [
        Problem(
            path=folder,
            what=f"Copies of other frames were left out: {counted(len(found), 'file')}",
            why=f"{found[0].path.name} has the same content as "
            f"{originals[checksums[found[0].path]].path}.",
            remedy="Nothing is lost; remove the copies so that the night is in one place.",
        )
        for folder, found in copies.items()
    ]
    return list(originals.values()), problems


def _known_checksums(bench: Bench, frames: Sequence[Frame]) -> dict[Path, str]:
    known = ((frame.path, bench.store.known_checksum(frame)) for frame in frames)
    return {path: checksum for path, checksum in known if checksum is not None}


def _take_checksums(bench: Bench, new: Sequence[Path], checksums: dict[Path, str]) -> list[Problem]:
    """Sum the files not known yet; one that cannot be read to its end is a problem."""

    def _sum(path: Path) -> Problem | None:
        try:
            checksums[path] = file_sha256(path)
        except OSError as error:
            return unreadable(path, error).problem
        return None

    if not new:
        return []
    loading = warm_up()
    bench.progress.begin(Step.CHECK, len(new))
    outcomes = in_threads(
        _sum,
        new,
        threads=bench.threads,
        stop=bench.stop,
        tick=lambda: bench.progress.advance(Step.CHECK),
    )
    loading.join()
    bench.progress.end(Step.CHECK)
    return [problem for problem in outcomes if problem is not None]
