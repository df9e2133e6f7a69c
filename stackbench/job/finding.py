"""The first step: find the frames, their facts and their checksums."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from stackbench.frames.checksums import file_sha256
from stackbench.frames.records import Frame, Problem
from stackbench.frames.scan import scan_folders
from stackbench.frames.setups import with_common_focal_lengths
from stackbench.frames.targets import with_targets
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.progress import Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The frames of a job that can be used, and those that cannot.

    `checksums` gives each frame's SHA-256 in hexadecimal by its path.
    """

    frames: tuple[Frame, ...]
    problems: tuple[Problem, ...]
    checksums: Mapping[Path, str]


def find_frames(bench: Bench, folders: Sequence[Path]) -> Found:
    """Find all frames of a job.

    Parameters
    ----------
    bench : Bench
        The job's bench; files that have not changed since an earlier run are
        not opened again.
    folders : sequence of Path
        The nights' folders, searched with all folders in them.

    Returns
    -------
    Found
        Frames with targets, problems, and checksums.
    """
    bench.progress.begin(Step.FIND, 1)
    scan = scan_folders(folders, skip=[bench.out], known=bench.store.known_frame)
    bench.progress.end(Step.FIND)
    checksums = _checksums(bench, scan.frames)
    bench.store.learn_frames(scan.frames, checksums)
    return Found(
        frames=with_targets(with_common_focal_lengths(scan.frames), folders=folders),
        problems=scan.problems,
        checksums=checksums,
    )


def _checksums(bench: Bench, frames: Sequence[Frame]) -> dict[Path, str]:
    known = {f.path: bench.store.known_checksum(f) for f in frames}
    new = [f.path for f in frames if known[f.path] is None]
    if new:
        bench.progress.begin(Step.CHECK, len(new))
        sums = in_threads(
            file_sha256,
            new,
            threads=bench.threads,
            stop=bench.stop,
            tick=lambda: bench.progress.advance(Step.CHECK),
        )
        bench.progress.end(Step.CHECK)
        known.update(zip(new, sums, strict=True))
    return {path: checksum for path, checksum in known.items() if checksum is not None}
