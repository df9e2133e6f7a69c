"""Checksums of files, for the record of what a product was made from."""

import hashlib
from pathlib import Path

_BLOCK_BYTES = 2**22


def file_sha256(path: Path) -> str:
    """Return the SHA-256 sum of a file's bytes.

    Parameters
    ----------
    path : Path
        Any file; read in blocks, never as a whole.

    Returns
    -------
    str
        64 hexadecimal digits.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    total = hashlib.sha256()
    buffer = bytearray(_BLOCK_BYTES)
    view = memoryview(buffer)
    with path.open("rb", buffering=0) as file:
        while count := file.readinto(buffer):
            total.update(view[:count])
    return total.hexdigest()
