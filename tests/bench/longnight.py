"""A night of many lights, made from a few: each a file of its own."""

import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path

_HEADER = 2880 * 4
_DATE = re.compile(rb"(?<=DATE-OBS= ')([^']+)(?=')")
_FORMAT = "%Y-%m-%dT%H:%M:%S.%f"


def long_night(night: Path, lights: int, *, apart_s: float = 65.0) -> Path:
    """Make a night with many lights out of one with few.

    Each light is a copy with a time of its own, so that no two files are
    alike and each lies on the disk by itself. Calibration frames are linked.

    Parameters
    ----------
    night : Path
        A night of `bench_night`.
    lights : int
        How many lights, of all filters together.
    apart_s : float
        From one light to the next.

    Returns
    -------
    Path
        The folder, kept for the next time.
    """
    folder = night.with_name(f"{night.name}_long_{lights}")
    if folder.exists():
        return folder
    unfinished = night.with_name(f"{folder.name}.part")
    if unfinished.exists():
        shutil.rmtree(unfinished)
    frames = sorted(path for path in night.rglob("*") if path.is_file())
    sources = [path for path in frames if "lights" in path.relative_to(night).parts]
    for path in frames:
        if path not in sources:
            there = unfinished / path.relative_to(night)
            there.parent.mkdir(parents=True, exist_ok=True)
            there.hardlink_to(path)
    first = min(_taken(path) for path in sources)
    for number in range(lights):
        source = sources[number % len(sources)]
        there = unfinished / "lights" / source.parent.name / f"{number:03d}_{source.name}"
        there.parent.mkdir(parents=True, exist_ok=True)
        _copy_at(source, there, first + timedelta(seconds=number * apart_s))
    unfinished.rename(folder)
    return folder


def _taken(path: Path) -> datetime:
    with path.open("rb") as file:
        found = _DATE.search(file.read(_HEADER))
    if found is None:
        raise ValueError(f"{path} does not tell when it was taken")
    return datetime.strptime(found[0].decode("ascii"), _FORMAT)  # noqa: DTZ007 - UTC by the standard


def _copy_at(source: Path, there: Path, time: datetime) -> None:
    """Copy a frame with another time, as long as the old one to the byte."""
    written = time.strftime(_FORMAT)[:23].encode("ascii")
    with source.open("rb") as old, there.open("wb") as new:
        new.write(_DATE.sub(written, old.read(_HEADER), count=1))
        shutil.copyfileobj(old, new, 1 << 22)
