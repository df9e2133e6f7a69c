"""Leaving out copies of frames: stacked twice, a sub would pass for two."""

from collections import defaultdict
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from stackbench.frames.records import Frame, PixelLayout, Problem
from stackbench.frames.scan import plain_name
from stackbench.frames.words import counted


def without_copies(
    frames: Sequence[Frame], checksums: Mapping[Path, str], folders: Sequence[Path]
) -> tuple[list[Frame], list[Problem]]:
    """Leave out files of the same bytes, and packed files beside what they hold.

    Parameters
    ----------
    frames : sequence of Frame
        In reading order.
    checksums : mapping of Path to str
        Their SHA-256.
    folders : sequence of Path
        The nights' folders, in which files are named.

    Returns
    -------
    list of Frame, and list of Problem
        The first of files of the same bytes, and of packed and plain ones that
        which need not be unpacked; a problem for each folder with copies.
    """
    firsts: dict[str, Frame] = {}
    originals = {
        frame.path: first.path
        for frame in frames
        if (first := firsts.setdefault(checksums[frame.path], frame)) is not frame
    }
    originals.update(_packed(tuple(firsts.values())))
    copies: dict[Path, list[Path]] = defaultdict(list)
    for path in originals:
        copies[path.parent].append(path)
    problems = []
    for folder, found in copies.items():
        left_out, taken = _names((found[0], originals[found[0]]), folders)
        problem = Problem(
            path=folder,
            what="Copies: of frames with the same content one is taken, "
            f"{counted(len(found), 'file')} left out",
            why=f"there is the same in {left_out} as in {taken}, which is taken.",
            remedy="Nothing is lost; keep one of each so that the night is in one place.",
        )
        problems.append(problem)
    return [frame for frame in frames if frame.path not in originals], problems


def _names(paths: Sequence[Path], folders: Sequence[Path]) -> list[str]:
    """Name files by their places in the nights' folders, in full where that is not enough."""
    names = [
        str(next((path.relative_to(one.parent) for one in folders if one in path.parents), path))
        for path in paths
    ]
    return names if len(set(names)) == len(names) else [str(path) for path in paths]


def _packed(frames: Sequence[Frame]) -> Iterator[tuple[Path, Path]]:
    """Give packed files that tell, under the same name, all that another file tells."""
    alike: dict[Hashable, list[Frame]] = defaultdict(list)
    for frame in frames:
        if frame.time is not None:  # else two frames may well tell the same
            alike[_told(frame)].append(frame)
    for same in alike.values():
        original = min(same, key=lambda frame: frame.layout.data_offset is None)
        for frame in same:
            if frame.path.suffix.casefold() != original.path.suffix.casefold():
                yield frame.path, original.path


def _told(frame: Frame) -> Hashable:
    """Give the facts of a frame without those of its file's form."""
    name = plain_name(frame.path)
    layout = PixelLayout(hdu=0, shape=frame.layout.shape, bitpix=0)
    return replace(frame, path=Path(name), size_bytes=0, modified_ns=0, layout=layout)
