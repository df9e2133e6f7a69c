"""The first step: find the frames, their facts and their checksums."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from stackbench.frames.checksums import file_sha256
from stackbench.frames.errors import unreadable
from stackbench.frames.records import Frame, Problem, Site
from stackbench.frames.scan import scan_folders
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.compiling import AFTER_MASTERS
from stackbench.job.copies import without_copies
from stackbench.job.labelling import lay_labels
from stackbench.job.progress import Step
from stackbench.job.warming import handing_over_soon, warm_up

_Known = TypeVar("_Known")


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The frames of a job that can be used, and those that cannot.

    `checksums` gives each frame's SHA-256 in hexadecimal by its path.
    `as_read` and `faults` are the frames and problems before any kind or
    filter was set by hand, `stated` those frames among them, by path, that
    were set otherwise since.
    """

    frames: tuple[Frame, ...]
    problems: tuple[Problem, ...]
    checksums: Mapping[Path, str]
    as_read: tuple[Frame, ...]
    faults: tuple[Problem, ...]
    stated: Mapping[Path, Frame]

    def marked(self) -> tuple[Frame, ...]:
        """List all frames that can be read, also those that take no part.

        Returns
        -------
        tuple of Frame
            In the order in which they were found, as they are labelled.
        """
        taking_part = {frame.path: frame for frame in self.frames}
        return tuple(taking_part.get(frame.path, frame) for frame in self.as_read)

    def by_path(self, known: Mapping[str, _Known]) -> dict[Path, _Known]:
        """Say what is known of frames by their paths.

        Parameters
        ----------
        known : mapping of str to any
            By checksum.

        Returns
        -------
        dict of Path to any
            By path; frames of which nothing is known are not in it.
        """
        return {
            frame.path: known[self.checksums[frame.path]]
            for frame in self.as_read
            if self.checksums[frame.path] in known
        }

    def by_checksum(self, known: Mapping[Path, _Known]) -> dict[str, _Known]:
        """Say what is known of frames by their checksums, as the store keeps it.

        Parameters
        ----------
        known : mapping of Path to any
            By path.

        Returns
        -------
        dict of str to any
            By SHA-256.
        """
        return {self.checksums[path]: one for path, one in known.items()}


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
        known = bench.store.labels()
        labels = {path: known[one] for path, one in checksums.items() if one in known}
        told = lay_labels(scan.frames, scan.problems, labels, folders=folders)
        listed(told.frames, told.problems)
    try:
        unread = _take_checksums(bench, new, checksums)
    finally:  # also when stopped: a night's checksums take minutes on a slow disk
        frames = [frame for frame in scan.frames if frame.path in checksums]
        bench.store.learn_frames(frames, checksums)
    frames, copied = without_copies(frames, checksums, folders)
    faults = (*scan.problems, *unread, *copied)
    found = Found(
        frames=tuple(frames),
        problems=faults,
        checksums=checksums,
        as_read=tuple(frames),
        faults=faults,
        stated={},
    )
    return find_again(bench, folders, found)


def find_again(bench: Bench, folders: Sequence[Path], found: Found) -> Found:
    """Take the frames of a job as they are labelled by now; no file is read.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store has the labels.
    folders : sequence of Path
        The nights' folders.
    found : Found
        The frames as found before.

    Returns
    -------
    Found
        The same frames with the kinds and filters that the store has now.
    """
    labels = found.by_path(bench.store.labels())
    told = lay_labels(found.as_read, found.faults, labels, folders=folders)
    frames = with_site(told.frames, bench.settings.planning.site)
    return replace(found, frames=frames, problems=told.problems, stated=told.stated)


def with_site(frames: tuple[Frame, ...], site: Site | None) -> tuple[Frame, ...]:
    """Say where the telescope stands in frames whose headers do not.

    Parameters
    ----------
    frames : tuple of Frame
        Of all kinds.
    site : Site or None
        As the person says; None leaves the frames as they are.

    Returns
    -------
    tuple of Frame
        In the same order; what a header says stays.
    """
    if site is None:
        return frames
    return tuple(frame if frame.site else replace(frame, site=site) for frame in frames)


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
    bench.compiling.begin_early(bench.progress, *AFTER_MASTERS)
    bench.progress.begin(Step.CHECK, len(new))
    with handing_over_soon():
        loading = warm_up()
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
