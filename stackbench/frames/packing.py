"""Files packed by gzip or bzip2: opened as the bytes they hold, checked cheaply."""

import bz2
import gzip
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, cast

from stackbench.frames.cards import padded
from stackbench.frames.errors import FrameError, damaged_packing, truncated, unreadable

_BZ2_END = 0x177245385090  # the mark that closes a bzip2 stream, at any bit


@contextmanager
def opened(path: Path) -> Iterator[tuple[BinaryIO, str | None]]:
    """Open a file as a stream of FITS bytes, unpacked where necessary.

    Parameters
    ----------
    path : Path
        Any file. What it is packed with is told by its first bytes.

    Yields
    ------
    stream : binary file
        Unpacked bytes.
    packing : str or None
        "gzip", "bzip2" or None.

    Raises
    ------
    FrameError
        If the file cannot be opened or read, or its packing is damaged.
    """
    try:
        with path.open("rb") as file:
            first = file.read(3)
            file.seek(0)
            if first[:2] == b"\x1f\x8b":
                with gzip.GzipFile(fileobj=file) as unpacked:
                    yield cast(BinaryIO, unpacked), "gzip"
            elif first == b"BZh":
                with bz2.BZ2File(file) as unpacked_bz2:
                    yield cast(BinaryIO, unpacked_bz2), "bzip2"
            else:
                yield file, None
    except FrameError:
        raise
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise damaged_packing(path, error) from error
    except OSError as error:
        if error.errno is None:  # bz2 says "Invalid data stream" without a number
            raise damaged_packing(path, error) from error
        raise unreadable(path, error) from error


def check_bzip2_end(path: Path, size_bytes: int) -> None:
    """Refuse a cut-off bzip2 file without unpacking it.

    Parameters
    ----------
    path : Path
        The packed file.
    size_bytes : int
        Its size.

    Raises
    ------
    FrameError
        If the mark that ends the packed data is missing.
    """
    with path.open("rb") as file:
        file.seek(max(0, size_bytes - 11))
        tail = int.from_bytes(file.read(), "big")
    # The mark is followed by a 32-bit sum and up to 7 bits of filling.
    if not any((tail >> (32 + fill)) & (2**48 - 1) == _BZ2_END for fill in range(8)):
        raise damaged_packing(path, EOFError("the end mark is missing"))


def check_gzip_length(path: Path, stream: BinaryIO, promised: int) -> None:
    """Refuse a cut-off gzip file, unpacking it only where its length note differs.

    Parameters
    ----------
    path : Path
        The packed file.
    stream : binary file
        The file's unpacked bytes, at any place at or before `promised`.
    promised : int
        Unpacked bytes that the header needs.

    Raises
    ------
    FrameError
        If there are fewer.
    """
    with path.open("rb") as file:
        file.seek(-4, 2)
        noted = int.from_bytes(file.read(), "little")
    if noted == padded(promised) % 2**32:
        return
    found = stream.tell()
    while found < promised and (block := stream.read(2**20)):
        found += len(block)
    if found < promised:
        raise truncated(path, promised=promised, found=found)
