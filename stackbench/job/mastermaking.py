"""Make one master from its frames' pixels, and write it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.apply import level_under
from stackbench.calibration.masters import NoMaster, make_flat, make_level
from stackbench.calibration.records import (
    CalibrationSet,
    Defects,
    Master,
    MasterFacts,
    Serving,
    with_pixels,
)
from stackbench.export.fits import read_image, write_master
from stackbench.export.provenance import InputFile, ProductFacts, Provenance
from stackbench.frames.errors import FrameError
from stackbench.frames.pixels import MappedRows, PixelFile
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.compiling import AFTER_MASTERS
from stackbench.job.finding import Found
from stackbench.job.pixels import PixelDesk
from stackbench.job.saturation import camera_saturation
from stackbench.job.shelf import FinishedMaster, MasterShelf
from stackbench.job.versions import library_versions
from stackbench.job.workshop import Workshop
from stackbench.rejection.kernels import clip_cube


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeMaster:
    """What came of a set: a master, or none and a problem that says why.

    `unread` are the frames that stayed out for a reason that may be gone the
    next time.
    """

    master: Master | None
    problems: tuple[Problem, ...]
    unread: tuple[Path, ...]


def load_master(desk: PixelDesk, finished: FinishedMaster) -> Master:
    """Read a finished master back.

    Parameters
    ----------
    desk : PixelDesk
        Keeps the masters that were used last.
    finished : FinishedMaster
        From the shelf.

    Returns
    -------
    Master
        With its pixels, not to be changed.
    """

    def _read() -> Master:
        finished.written.result()
        image = read_image(finished.path).image
        return with_pixels(finished.facts, image, bad=read_defects(finished.path, finished.facts))

    return desk.masters.get(finished.key, _read)


def read_defects(path: Path, facts: MasterFacts) -> Defects | None:
    """Read the map of bad pixels of a master.

    Parameters
    ----------
    path : Path
        The master's file.
    facts : MasterFacts
        What is known about it.

    Returns
    -------
    Defects or None
        None for a master that has none, such as a bias.

    Raises
    ------
    ProductError
        If the file is not whole, or holds no such map.
    OSError
        If it cannot be read.
    """
    if facts.defects is None:
        return None
    table = read_image(path, extension="BADPIX").image
    return Defects(places=table[:, 0].copy(), sorts=table[:, 1].copy(), counts=facts.defects)


def make_master(
    shop: Workshop,
    one: CalibrationSet,
) -> MadeMaster:
    """Make the master of one set.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    one : CalibrationSet
        The set.

    Returns
    -------
    MadeMaster
        The master, with problems of files that cannot be decoded.
    """
    bench, desk = shop.bench, shop.desk
    bench.compiling.begin(bench.progress, clip_cube, *AFTER_MASTERS)
    sources: list[MappedRows] = []
    frames: list[Frame] = []
    problems: list[Problem] = []
    unread: list[Path] = []
    for frame, pixels in zip(one.frames, _all_pixels(bench, desk, one.frames), strict=True):
        if isinstance(pixels, FrameError):
            problems.append(pixels.problem)
            if pixels.passing:
                unread.append(frame.path)
            continue
        sources.append(MappedRows(pixels))
        frames.append(frame)
    if not frames:
        return MadeMaster(master=None, problems=tuple(problems), unread=tuple(unread))
    usable = replace(one, frames=tuple(frames))
    rejection = bench.settings.masters
    if one.kind is Kind.FLAT:
        levels = _levels(desk, [shop.plan.servings[frame.path] for frame in frames], shop.shelf)
        made = make_flat(
            usable,
            sources,
            levels=levels,
            saturation_adu=camera_saturation(shop, one.setup.camera),
            rejection=rejection,
            jobs=bench.threads,
            stop=bench.stop,
        )
    else:
        made = make_level(usable, sources, rejection=rejection, jobs=bench.threads, stop=bench.stop)
    unread += [frame.path for frame in made.dropped if frame.passing]
    if isinstance(made, NoMaster):
        problems.append(made.problem)
    return MadeMaster(
        master=made if isinstance(made, Master) else None,
        problems=tuple(problems),
        unread=tuple(unread),
    )


def _all_pixels(
    bench: Bench, desk: PixelDesk, frames: Sequence[Frame]
) -> list[PixelFile | FrameError]:
    """Give the pixels of a set's frames; packed ones are unpacked in threads."""

    def _pixels(frame: Frame) -> PixelFile | FrameError:
        try:
            return desk.pixels(frame)
        except FrameError as error:
            return error

    return in_threads(_pixels, frames, threads=bench.threads, stop=bench.stop)


def write_finished(bench: Bench, found: Found, path: Path, master: Master) -> None:
    """Write a master with its provenance.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's checksums.
    path : Path
        The file to make or to replace.
    master : Master
        The master.
    """
    facts = ProductFacts(
        kind=master.kind.value,
        frames=len(master.paths),
        setup=master.setup,
        filter=master.filter,
        exposure_s=master.exposure_s,
        temperature_c=master.temperature_c,
        noise_adu=master.noise,
        rejected_pixels=master.rejected_pixels,
    )
    provenance = Provenance(
        inputs=tuple(InputFile(name=p.name, sha256=found.checksums[p]) for p in master.paths),
        settings={"masters": str(bench.settings.masters)},
        versions=library_versions(),
        notes=tuple(f"{problem.what}: {problem.why}" for problem in master.problems),
        written=datetime.now(UTC),
    )
    bad = None
    if master.bad is not None:
        bad = np.column_stack([master.bad.places, master.bad.sorts])
    write_master(path, master.data, bad=bad, facts=facts, provenance=provenance)


def _levels(
    desk: PixelDesk, servings: Sequence[Serving], shelf: MasterShelf
) -> list[NDArray[np.float32] | None]:
    """Make what is subtracted from each flat; equal ones share an array."""
    levels: dict[Serving, NDArray[np.float32] | None] = {}
    for serving in servings:
        if serving not in levels:
            bias, dark = shelf.get(serving.bias), shelf.get(serving.dark)
            levels[serving] = level_under(
                bias=load_master(desk, bias) if bias else None,
                dark=load_master(desk, dark) if dark else None,
                # a dark whose bias could not be made is subtracted as taken
                dark_scale=serving.dark_scale if bias else None,
            )
    return [levels[serving] for serving in servings]
