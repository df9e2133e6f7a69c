"""Files that are either the old one or the new one, never half of each."""

import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from stackbench.frames.checksums import file_sha256

_PART_SUFFIX = ".stackbench-part"

_CAUSES: dict[int, tuple[str, str]] = {
    errno.ENOSPC: ("the disk is full", "free some space or choose another output folder"),
    errno.EDQUOT: ("the disk quota is used up", "free some space or choose another output folder"),
    errno.EACCES: (
        "writing there is not allowed, or another program holds the file open",
        "close programs that show the file, or choose a folder you may write to",
    ),
    errno.EPERM: ("writing there is not allowed", "choose a folder you may write to"),
    errno.EROFS: ("the disk is read-only", "choose an output folder on another disk"),
    errno.EEXIST: (
        "a file stands where a folder is needed",
        "move that file away or choose another output folder",
    ),
    errno.ENOTDIR: (
        "a file stands where a folder is needed",
        "move that file away or choose another output folder",
    ),
    errno.EISDIR: (
        "a folder stands where the file should go",
        "move that folder away or choose another output folder",
    ),
    errno.ENAMETOOLONG: ("the name is too long", "choose an output folder with a shorter path"),
}
_UNKNOWN_REMEDY = "check the disk, or choose another output folder"


class WriteError(OSError):
    """A product could not be written; what was there before is untouched.

    Parameters
    ----------
    path : Path
        The product that was to be written.
    why : str
        The cause, in words.
    remedy : str
        What the person can do about it.
    number : int or None
        The system's error number, if it gave one.
    """

    def __init__(self, path: Path, *, why: str, remedy: str, number: int | None = None) -> None:
        super().__init__(number or errno.EIO, why, str(path))
        self.path = path
        self.why = why
        self.remedy = remedy

    def __str__(self) -> str:
        """Say in one line which file, why, and what to do."""
        return f"cannot write {self.path}: {self.why}; {self.remedy}"


@contextmanager
def replacing(path: Path) -> Iterator[BinaryIO]:
    """Write a file under a passing name and rename it when all is on the disk.

    The folder is made if need be. When anything fails inside the block, the
    new file is removed and the old one stays as it was.

    Parameters
    ----------
    path : Path
        The file to make or to replace.

    Yields
    ------
    BinaryIO
        The new file, open for reading and writing in binary.

    Raises
    ------
    WriteError
        When the system refuses to write, flush or rename.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.parent / f".{path.name[:40]}.{secrets.token_hex(6)}{_PART_SUFFIX}"
        stream = part.open("x+b")
    except OSError as error:
        raise explained(path, error) from error
    try:
        with stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(path)  # closed by now: an open file cannot be renamed on Windows
        _sync_folder(path.parent)
    except OSError as error:
        raise explained(path, error) from error
    finally:
        # after the rename nothing is left under the passing name; a disk that
        # refuses to write may refuse this too, and the first cause is the one to tell
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file as UTF-8, whole or not at all.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    text : str
        Its content; line ends are written as given.

    Raises
    ------
    WriteError
        When the system refuses.
    """
    with replacing(path) as stream:
        stream.write(text.encode("utf-8", errors="replace"))


def product_sha256(path: Path) -> str:
    """Return the checksum of a product that was just written.

    Parameters
    ----------
    path : Path
        The product.

    Returns
    -------
    str
        SHA-256, in hexadecimal.

    Raises
    ------
    WriteError
        If it cannot be read back.
    """
    try:
        return file_sha256(path)
    except OSError as error:
        raise explained(path, error) from error


def remove_leftovers(folder: Path) -> int:
    """Remove what an interrupted run left unfinished in a folder.

    Call it only while no other run writes there.

    Parameters
    ----------
    folder : Path
        A folder of products; need not exist. Searched with its subfolders.

    Returns
    -------
    int
        How many files were removed.
    """
    removed = 0
    for part in folder.rglob(f".*{_PART_SUFFIX}"):
        part.unlink(missing_ok=True)
        removed += 1
    return removed


def explained(path: Path, error: OSError) -> WriteError:
    """Put a system's refusal to write into words.

    Parameters
    ----------
    path : Path
        What was to be written.
    error : OSError
        What the system said.

    Returns
    -------
    WriteError
        To be raised; `error` itself if it is one already.
    """
    if isinstance(error, WriteError):
        return error
    why, remedy = _CAUSES.get(error.errno or 0, (error.strerror or str(error), _UNKNOWN_REMEDY))
    return WriteError(path, why=why, remedy=remedy, number=error.errno)


def _sync_folder(folder: Path) -> None:
    """Make the rename itself survive a power cut (Windows does so unasked)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        # some network and FUSE disks cannot do this for folders; the file is there all the same
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EBADF):
            raise
    finally:
        os.close(handle)
