"""Channels handed over: chosen files copied to a folder of the person's choice.

A TIFF of another depth than the channel's own is made of its FITS file.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

from stackbench.export.files import WriteError, replacing
from stackbench.export.fits import read_image
from stackbench.export.tiff import tiff_form, write_tiff
from stackbench.export.tiffdepth import TiffDepth
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
    that it is there and stays, so that nothing is copied. With `depth` a TIFF
    is to be of that depth, if need be from the pixels of `fits`.
    """

    source: Path
    target: Path
    replaces: bool = False
    skipped: bool = False
    depth: TiffDepth | None = None
    fits: Path | None = None


def plan_copies(
    channels: Sequence[FinishedChannel],
    formats: Sequence[Format],
    folder: Path,
    *,
    existing: Existing = Existing.KEEP,
    depth: TiffDepth | None = None,
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
    depth : TiffDepth, optional
        How TIFF files are to store a pixel; as the channels' own if left out.

    Returns
    -------
    tuple of Copy
        In the order of the channels.
    """
    copies = []
    for channel in channels:
        files = channel.paths
        named = {Format.FITS: files.fits, Format.TIFF: files.tif, Format.PNG: files.png}
        for one in formats:
            copy = _copy(named[one], folder / named[one].name, existing)
            tiff = one is Format.TIFF and depth is not None
            copies.append(replace(copy, depth=depth, fits=files.fits) if tiff else copy)
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
    ProductError
        If a channel's file is not whole.
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
            if not _written_otherwise(one, stop):
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


def _written_otherwise(one: Copy, stop: Stop) -> bool:
    """Write a TIFF of another depth than the channel's own; False where a copy will do."""
    if one.depth is None or one.fits is None or not one.source.exists():
        return False
    form = tiff_form(one.source)
    if form.depth is one.depth:
        return False
    if stop():
        raise Cancelled
    image = read_image(one.fits).image
    write_tiff(one.target, image, scale=form.scale, depth=one.depth, title=form.title)
    return True


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
