"""Folders → the frames in them, and a problem for each file that is none."""

import os
import stat
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackbench.frames.errors import FrameError, unreadable
from stackbench.frames.hdus import ImageHeader, read_image_header
from stackbench.frames.header import frame_from_header
from stackbench.frames.kinds import KIND_KEYS
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.values import text

SESSION_STORE_NAME = "stackbench.sqlite"
PRODUCT_CREATOR = "stackbench"
UNKNOWN_KIND = "It is unknown what the frame was taken for"

_FITS_ENDINGS = (".fits", ".fit", ".fts")
_PACKED_ENDINGS = ("", ".gz", ".bz2", ".fz")
_MOSAICS = frozenset({"RGGB", "BGGR", "GRBG", "GBRG"})
_ENDINGS = tuple(fits + packed for fits in _FITS_ENDINGS for packed in _PACKED_ENDINGS)

KnownFrame = Callable[[Path, int, int], Frame | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scan:
    """What a scan found: usable frames in reading order, and problems.

    Frames of `Kind.UNKNOWN` are listed in both.
    """

    frames: tuple[Frame, ...]
    problems: tuple[Problem, ...]


def scan_folders(
    folders: Sequence[Path],
    *,
    skip: Sequence[Path] = (),
    known: KnownFrame | None = None,
) -> Scan:
    """Find all frames below some folders and read their headers.

    Parameters
    ----------
    folders : sequence of Path
        Folders, searched with all their subfolders, or single files. Names
        that begin with a dot are passed over.
    skip : sequence of Path
        Folders or files to leave out silently, such as the output folder.
    known : callable, optional
        Called with a file's path, size in bytes and time of change in ns;
        returns its facts if they are known already, so that the file need not
        be opened, else None.

    Returns
    -------
    Scan
        Each file once, even if two of the folders overlap; folders as given,
        names within each sorted. Nothing is written or changed.

    Notes
    -----
    A folder that holds a session store is the output of an earlier run, and a
    file whose CREATOR is this program one of its products: neither is a raw
    frame, and each gives a problem instead.
    """
    frames: list[Frame] = []
    problems: list[Problem] = []
    walk = _Walk(skip=skip, problems=problems)
    for folder in folders:
        met_before = walk.met
        root = Path(os.path.abspath(folder))  # noqa: PTH100 (resolve() would follow links)
        for path in walk.files(root):
            try:
                frame = _frame_at(path, root, known, problems)
            except FrameError as error:
                problems.append(error.problem)
            else:
                frames.append(frame)
        if walk.met == met_before and not any(problem.path == root for problem in problems):
            problems.append(_nothing_found(root))
    problems.extend(_unfit_sections(frames))
    problems.extend(_colour_mosaics(frames))
    return Scan(frames=tuple(frames), problems=tuple(problems))


class _Walk:
    """Lists files folder by folder, each once over all calls."""

    def __init__(self, *, skip: Sequence[Path], problems: list[Problem]) -> None:
        self.met = 0  # FITS files and folders already seen that the walk came across
        self._seen = {os.path.realpath(path) for path in skip}
        self._problems = problems

    def files(self, root: Path) -> Iterator[Path]:
        """Yield the FITS files at or below `root`, sorted within each folder."""
        if root.is_dir():
            yield from self._below(root)
        elif not root.exists():
            self._problems.append(
                Problem(
                    path=root,
                    what="The folder does not exist",
                    why="Nothing is found under this name.",
                    remedy="Check the spelling, and that the drive is connected.",
                )
            )
        else:
            self.met += 1
            if self._is_new(root):
                yield root

    def _below(self, folder: Path) -> Iterator[Path]:
        if not self._is_new(folder):
            self.met += 1
            return
        try:
            with os.scandir(folder) as listing:
                entries = sorted(listing, key=lambda entry: (entry.name.casefold(), entry.name))
        except OSError as error:
            self._problems.append(unreadable(folder, error).problem)
            return
        if any(entry.name == SESSION_STORE_NAME for entry in entries):
            self._problems.append(_earlier_output(folder))
            return
        for entry in entries:
            if entry.name.startswith("."):
                continue
            path = folder / entry.name
            try:
                is_folder = entry.is_dir()
            except OSError as error:  # a link to itself, or to where nobody may look
                self._problems.append(unreadable(path, error).problem)
                continue
            if is_folder:
                yield from self._below(path)
            elif entry.name.lower().endswith(_ENDINGS):
                self.met += 1
                if self._is_new(path):
                    yield path

    def _is_new(self, path: Path) -> bool:
        real = os.path.realpath(path)
        if real in self._seen:
            return False
        self._seen.add(real)
        return True


def _frame_at(path: Path, root: Path, known: KnownFrame | None, problems: list[Problem]) -> Frame:
    """Return a file's facts, adding a problem if its kind is unknown."""
    try:
        status = path.stat()
    except OSError as error:
        raise unreadable(path, error) from error
    if not stat.S_ISREG(status.st_mode):
        raise FrameError(
            Problem(
                path=path,
                what="This is not an ordinary file",
                why="It is a device, a pipe or the like.",
                remedy="Move it out of the folder.",
            )
        )
    frame = known(path, status.st_size, status.st_mtime_ns) if known is not None else None
    if frame is None or frame.kind is Kind.UNKNOWN:
        header = read_image_header(path, status.st_size)
        _refuse_products(path, header)
        frame = frame_from_header(
            header.cards,
            path=path,
            size_bytes=status.st_size,
            modified_ns=status.st_mtime_ns,
            layout=header.layout,
            folders=folder_names(path, root),
            comment=header.cards.comment,
        )
        if frame.kind is Kind.UNKNOWN:
            problems.append(_unknown_kind(path, header))
    return frame


def without_unexposed(frames: Sequence[Frame]) -> tuple[tuple[Frame, ...], tuple[Problem, ...]]:
    """Leave out the lights that were exposed for no time at all.

    Parameters
    ----------
    frames : sequence of Frame
        Frames of any kind.

    Returns
    -------
    tuple of Frame, and tuple of Problem
        The others in their order, and one problem for each that is left out.
    """
    empty = [f.path for f in frames if f.kind is Kind.LIGHT and f.exposure_s == 0]
    left_out = set(empty)
    return (
        tuple(frame for frame in frames if frame.path not in left_out),
        tuple(_no_exposure(path) for path in empty),
    )


def folder_names(path: Path, root: Path) -> tuple[str, ...]:
    """Return the names of the folders from a file up to the scanned one.

    Parameters
    ----------
    path : Path
        A file below `root`, or `root` itself.
    root : Path
        The folder that was asked for.

    Returns
    -------
    tuple of str
        The innermost first, the name of `root` last; empty if `path` is not
        below `root`.
    """
    if path == root or not path.is_relative_to(root):
        return ()
    inner = path.relative_to(root).parts[:-1]
    return (*reversed(inner), root.name)


def plain_name(path: Path) -> str:
    """Name a file as it would be called unpacked.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    str
        Its name without .gz, .bz2 or .fz.
    """
    return path.stem if path.suffix.casefold() in _PACKED_ENDINGS else path.name


def _refuse_products(path: Path, header: ImageHeader) -> None:
    creator = text(header.cards, "CREATOR") or ""
    if creator.casefold().startswith(PRODUCT_CREATOR):
        raise FrameError(
            Problem(
                path=path,
                what="This is a product of an earlier run, not a raw frame",
                why=f"Its header names the creator {creator}.",
                remedy="Keep products outside the folders of raw frames.",
            )
        )


def _earlier_output(folder: Path) -> Problem:
    return Problem(
        path=folder,
        what="The folder is the output of an earlier run and was left out",
        why=f"It holds {SESSION_STORE_NAME}.",
        remedy="Write the output outside the folders of raw frames.",
    )


def _nothing_found(root: Path) -> Problem:
    return Problem(
        path=root,
        what="The folder holds no frames",
        why="No file with a FITS ending (.fits .fit .fts, or these with .gz .bz2 .fz) was found.",
        remedy="Give the folder that the camera's computer writes to.",
    )


def _unknown_kind(path: Path, header: ImageHeader) -> Problem:
    stated = [f"{key} = {words}" for key in KIND_KEYS if (words := text(header.cards, key))]
    return Problem(
        path=path,
        what=UNKNOWN_KIND,
        why=f"Its header says {', '.join(stated)}."
        if stated
        else f"Its header has none of {', '.join(KIND_KEYS)}, and its name does not say it.",
        remedy="Set its kind by hand, or put it into a folder named biases, darks, flats,"
        " dark-flats or lights" + (" and correct the header" if stated else "") + ".",
    )


def _unfit_sections(frames: Sequence[Frame]) -> Iterator[Problem]:
    """Tell once per folder of frames whose overscan and trim sections do not fit them."""
    found: dict[tuple[Path, str], list[Path]] = {}
    for frame in frames:
        if frame.unfit_sections is not None:
            found.setdefault((frame.path.parent, frame.unfit_sections), []).append(frame.path)
    for (folder, why), paths in found.items():
        of_them = "the frame" if len(paths) == 1 else f"{len(paths)} frames"
        yield Problem(
            path=paths[0] if len(paths) == 1 else folder,
            what=f"BIASSEC and TRIMSEC of {of_them} are not used, for they do not fit",
            why=f"The header gives what cannot be meant: {why}.",
            remedy="If the overscan was cut off before, nothing needs doing; else give the frames"
            " as the camera wrote them.",
        )


def _colour_mosaics(frames: Sequence[Frame]) -> Iterator[Problem]:
    """Tell once per folder of lights that a colour camera took."""
    found: dict[Path, list[Path]] = {}
    for frame in frames:
        if frame.kind is Kind.LIGHT and (frame.colour_pattern or "").upper() in _MOSAICS:
            found.setdefault(frame.path.parent, []).append(frame.path)
    for folder, paths in found.items():
        of_them = "The light is" if len(paths) == 1 else f"{len(paths)} lights are"
        yield Problem(
            path=paths[0] if len(paths) == 1 else folder,
            what=f"{of_them} the raw mosaic of a colour camera",
            why="The header names a pattern of colours. This program stacks mono frames: it"
            " takes neighbours of different colour for neighbours of one.",
            remedy="Use it for mono cameras; if the camera is one, the header's pattern is wrong.",
        )


def _no_exposure(path: Path) -> Problem:
    return Problem(
        path=path,
        what="The light frame has an exposure of 0 seconds",
        why="Its header says so, and then it holds no light to stack.",
        remedy="If it is a bias frame, set its kind by hand or correct its header; else delete it.",
    )
