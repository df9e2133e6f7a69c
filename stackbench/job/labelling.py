"""Kinds and filters set by hand: which frames they are for, and what becomes of these."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath

from stackbench.frames.filters import filter_name
from stackbench.frames.labels import Label, label_words, labelled
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.scan import UNKNOWN_KIND, without_unexposed
from stackbench.frames.setups import with_common_focal_lengths
from stackbench.frames.targets import with_targets
from stackbench.job.bench import Bench, WrongUseError

NO_FILTER = "no filter"
KINDS = tuple(kind for kind in Kind if kind is not Kind.UNKNOWN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Labelled:
    """Frames as they take part in a job: labels laid on, targets given.

    `stated` are, by path, the frames that a label changed, as their headers
    state them.
    """

    frames: tuple[Frame, ...]
    problems: tuple[Problem, ...]
    stated: Mapping[Path, Frame]


def lay_labels(
    frames: Sequence[Frame],
    problems: Sequence[Problem],
    labels: Mapping[Path, Label],
    *,
    folders: Sequence[Path],
) -> Labelled:
    """Lay labels on frames, and give lights their targets.

    Parameters
    ----------
    frames : sequence of Frame
        As their headers state them.
    problems : sequence of Problem
        What went wrong with them.
    labels : mapping of Path to Label
        What was set by hand.
    folders : sequence of Path
        The nights' folders.

    Returns
    -------
    Labelled
        Without the problems that a label solves.
    """
    stated: dict[Path, Frame] = {}
    told: list[Frame] = []
    for frame in frames:
        now = labelled(frame, labels[frame.path]) if frame.path in labels else frame
        if label_words(frame, now):
            stated[frame.path] = frame
        told.append(now)
    usable, unexposed = without_unexposed(told)
    solved = {path for path, frame in stated.items() if frame.kind is Kind.UNKNOWN}
    return Labelled(
        frames=with_targets(with_common_focal_lengths(usable), folders=folders),
        problems=(
            *(one for one in problems if not (one.what == UNKNOWN_KIND and one.path in solved)),
            *unexposed,
        ),
        stated=stated,
    )


def take_labels(
    bench: Bench,
    frames: Sequence[Frame],
    checksums: Mapping[Path, str],
    *,
    kinds: Collection[str] = (),
    filters: Collection[str] = (),
    unset: Collection[str] = (),
) -> bool:
    """Remember kinds and filters that the person sets.

    Parameters
    ----------
    bench : Bench
        The job's bench; its store remembers.
    frames : sequence of Frame
        All frames of the job.
    checksums : mapping of Path to str
        Their checksums.
    kinds, filters : collection of str
        NAME=KIND and NAME=FILTER, such as "dark_*.fits=dark". The name is
        that of a file, or the end of its path; in it, * stands for any text.
    unset : collection of str
        Names of frames to leave to their headers again.

    Returns
    -------
    bool
        Whether anything was set.

    Raises
    ------
    WrongUseError
        If a name fits no frame, one without * fits several, or a kind is
        none; then nothing is remembered.
    """
    known = bench.store.labels()
    wanted: dict[str, Label | None] = {}
    names: dict[str, str] = {}

    def _set(name: str, change: Callable[[Label | None], Label | None]) -> None:
        for frame in _frames_named(name, frames):
            checksum = checksums[frame.path]
            wanted[checksum] = change(wanted.get(checksum, known.get(checksum)))
            names[checksum] = frame.path.name

    for name in unset:
        _set(name, lambda _: None)
    for name, label in _asked(kinds, filters):
        _set(name, label.over)
    if wanted:
        bench.store.label(wanted, names=names)
    return bool(wanted)


def _asked(kinds: Collection[str], filters: Collection[str]) -> Iterator[tuple[str, Label]]:
    for text in kinds:
        name, word = _parted(text, "KIND")
        if word not in KINDS:
            raise WrongUseError(f"{text}: there is no kind {word!r}; choose {', '.join(KINDS)}")
        yield name, Label(kind=Kind(word))
    for text in filters:
        name, word = _parted(text, "FILTER")
        yield name, Label(filter=filter_name(word) or NO_FILTER)


def _parted(text: str, what: str) -> tuple[str, str]:
    name, equals, word = text.rpartition("=")
    if not (name and equals and word):
        raise WrongUseError(f"{text}: give it as NAME={what}")
    return name, word


def _frames_named(name: str, frames: Sequence[Frame]) -> list[Frame]:
    parts = PurePath(name).parts
    if "*" in name:
        fitting = [frame for frame in frames if frame.path.match(name)]
    else:
        fitting = [frame for frame in frames if frame.path.parts[-len(parts) :] == parts]
    if not fitting:
        raise WrongUseError(f"{name}: no frame of this name is in the night")
    if len(fitting) > 1 and "*" not in name:
        places = ", ".join(str(frame.path) for frame in fitting)
        raise WrongUseError(f"{name}: several frames have this name ({places}); add the folder")
    return fitting
