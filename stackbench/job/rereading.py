"""The record of an earlier run, read back, and its page and table made again."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from stackbench.export.night import SCHEMA, ChannelFiles, Night, StackEntry
from stackbench.export.tables import write_frames_csv
from stackbench.frames.checksums import file_sha256
from stackbench.job.bench import WrongUseError

NIGHT_NAME, TABLE_NAME, PAGE_NAME = "night.json", "frames.csv", "report.html"


def read_night(out: Path) -> Night:
    """Read the record of an output folder.

    Parameters
    ----------
    out : Path
        The output folder of a finished job.

    Returns
    -------
    Night
        The record; what an older version did not write down is unknown.
        Products are named by absolute paths in this folder, wherever it lay.

    Raises
    ------
    WrongUseError
        If there is no record, or it cannot be read.
    """
    path = out / NIGHT_NAME
    again = "run the night again into this folder, which makes it anew"
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError) as error:
        raise WrongUseError(
            f"{out}: no record of a finished job ({NIGHT_NAME}) lies in this folder; "
            "name a job's output folder"
        ) from error
    except OSError as error:
        raise WrongUseError(
            f"{path}: cannot be read ({error.strerror}); check the disk and the rights"
        ) from error
    except ValueError as error:
        raise WrongUseError(f"{path}: is no record of a job ({error}); {again}") from error
    if not isinstance(said, dict) or said.get("schema") != SCHEMA:
        found = said.get("schema") if isinstance(said, dict) else None
        raise WrongUseError(
            f"{path}: has schema {found}, this version reads {SCHEMA}; "
            f"update stackbench, or {again}"
        )
    return _night(out.absolute(), path, said)


def report_again(out: Path) -> tuple[str, ...]:
    """Make the page and the table of an output folder again from its record.

    The same record, pictures and version give the same files, byte for byte.

    Parameters
    ----------
    out : Path
        The output folder of a finished job.

    Returns
    -------
    tuple of str
        The names of those that are not as they were.

    Raises
    ------
    WrongUseError
        If there is no record, or it cannot be read.
    WriteError
        If a file cannot be written.
    """
    from stackbench.export.report import write_report

    night = read_night(out)
    paths = [out / TABLE_NAME, out / PAGE_NAME]
    before = [file_sha256(path) if path.is_file() else None for path in paths]
    write_frames_csv(paths[0], night.frames)
    write_report(paths[1], night)
    return tuple(
        path.name for path, was in zip(paths, before, strict=True) if file_sha256(path) != was
    )


def _night(out: Path, path: Path, said: dict[str, Any]) -> Night:
    adapter: TypeAdapter[Night] = TypeAdapter(Night)
    try:
        night = adapter.validate_python(said | {"out": out})
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise WrongUseError(
            f"{path}: {where}: {first['msg']}; it was changed, or another version made it: "
            "run the night again into this folder"
        ) from error
    return replace(
        night,
        masters=tuple(replace(one, path=out / one.path) for one in night.masters),
        stacks=tuple(_stack(out, one) for one in night.stacks),
    )


def _stack(out: Path, one: StackEntry) -> StackEntry:
    files = one.channel
    channel = ChannelFiles(
        fits=files.fits and out / files.fits,
        tif=files.tif and out / files.tif,
        png=files.png and out / files.png,
    )
    return replace(one, path=out / one.path, channel=channel)
