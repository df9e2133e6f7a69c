"""Channels handed over: chosen files copied to a folder of the person's choice."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from stackbench.export.files import WriteError, replacing
from stackbench.frames.work import Cancelled, Stop, Tick, never, quiet
from stackbench.job.exporting import FinishedChannel

_PIECE_BYTES = 8 << 20


class Format(StrEnum):
    """The files that there are of a channel; the value is what a person reads."""

    FITS = "FITS"
    TIFF = "TIFF"
    PNG = "PNG"


class Existing(StrEnum):
    """What becomes of files that are in the folder already."""

    KEEP = "keep"
    REPLACE = "replace"
    NUMBER = "number"


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """One file to be handed over.

    `replaces` tells that a file of that name is there and goes; `skipped`
    that it is there and stays, so that nothing is copied.
    """

    source: Path
    target: Path
    replaces: bool = False
    skipped: bool = False


def plan_copies(
    channels: Sequence[FinishedChannel],
    formats: Sequence[Format],
    folder: Path,
    *,
    existing: Existing = Existing.KEEP,
) -> tuple[Copy, ...]:
    """Name the files that would be handed over; nothing is written.

    Parameters
    ----------
    channels : sequence of FinishedChannel
        The channels.
    formats : sequence of Format
        Which of their files.
    folder : Path
        Where to; need not exist.
    existing : Existing
        What becomes of files that are there already. The channels' own files
        always stay.

    Returns
    -------
    tuple of Copy
        In the order of the channels.
    """
    copies = []
    for channel in channels:
        files = channel.paths
        named = {Format.FITS: files.fits, Format.TIFF: files.tif, Format.PNG: files.png}
        copies += [_copy(named[one], folder / named[one].name, existing) for one in formats]
    return tuple(copies)


def copy_files(copies: Sequence[Copy], *, tick: Tick = quiet, stop: Stop = never) -> int:
    """Copy files, each whole or not at all.

    Parameters
    ----------
    copies : sequence of Copy
        From `plan_copies`.
    tick : callable
        Called after each file.
    stop : callable
        Asked between pieces of some megabytes.

    Returns
    -------
    int
        How many files were copied.

    Raises
    ------
    WriteError
        If a file cannot be read or written, or one has come to be there since
        that was not to be replaced.
    Cancelled
        If `stop` answered True; files that are finished stay.
    """
    copied = 0
    for one in copies:
        if not one.skipped:
            if one.target.exists() and not one.replaces:
                raise WriteError(
                    one.target,
                    why="a file of that name has come to be there",
                    remedy="look at the list of files again",
                )
            _copy_file(one, stop)
            copied += 1
        tick()
    return copied


def _copy(source: Path, target: Path, existing: Existing) -> Copy:
    if not target.exists():
        return Copy(source=source, target=target)
    if existing is Existing.KEEP or (source.exists() and target.samefile(source)):
        return Copy(source=source, target=target, skipped=True)
    if existing is Existing.REPLACE:
        return Copy(source=source, target=target, replaces=True)
    number = 2
    while (free := target.with_stem(f"{target.stem}_{number}")).exists():
        number += 1
    return Copy(source=source, target=free)


def _copy_file(one: Copy, stop: Stop) -> None:
    try:
        source = one.source.open("rb")
    except OSError as error:
        raise WriteError(
            one.target,
            why=f"{one.source} cannot be read ({error.strerror})",
            remedy="open the night again, so that its channels are made anew",
        ) from error
    with source, replacing(one.target) as target:
        while piece := source.read(_PIECE_BYTES):
            if stop():
                raise Cancelled
            target.write(piece)
