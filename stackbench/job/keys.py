"""Keys that stand for all that a piece of knowledge depends on, and marks of files."""

import hashlib
import json
from dataclasses import asdict, is_dataclass
from pathlib import Path


def key_of(*parts: object) -> str:
    """Make the key of a piece of knowledge from all that it depends on.

    Parameters
    ----------
    *parts : object
        Strings, numbers, None, and lists, mappings and dataclasses of them.

    Returns
    -------
    str
        SHA-256, in hexadecimal, of the parts in a fixed written form.
    """
    written = json.dumps(parts, sort_keys=True, default=_plain)
    return hashlib.sha256(written.encode()).hexdigest()


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return asdict(value)
    if isinstance(value, Path):
        return value.as_posix()
    raise TypeError(f"no key can be made from {type(value).__name__}")


def file_mark(path: Path) -> list[int] | None:
    """Return what changes when a file does.

    Parameters
    ----------
    path : Path
        A product of an earlier run.

    Returns
    -------
    list of int, or None
        Size in bytes and time of change in ns; None when there is no file.
    """
    try:
        status = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return None
    return [status.st_size, status.st_mtime_ns]
