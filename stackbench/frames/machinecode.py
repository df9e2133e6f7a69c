"""Where the machine code of kernels lies; to be asked without loading the compiler."""

import hashlib
import os
import shutil
import time
from pathlib import Path

import platformdirs

_UNUSED_S = 30 * 24 * 3600.0


def machine_code_folder() -> Path:
    """Name the folder for the machine code of exactly these kernels.

    Numba's own check looks only at the file of the kernel that is called: a
    change to one that it calls, in another file, would go unnoticed. So the
    folder's name is a digest of all files with kernels in them. Folders of
    other versions go when nobody used them for a month. NUMBA_CACHE_DIR, where
    it is set, has the say.

    Returns
    -------
    Path
        In the person's cache folder; not there before the first kernel is
        compiled.
    """
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        return Path(chosen)
    package = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        source = path.read_bytes()
        if b"compiled" in source or b"numba" in source:
            digest.update(source)
    kernels = Path(platformdirs.user_cache_dir("stackbench", appauthor=False)) / "kernels"
    folder = kernels / digest.hexdigest()[:16]
    if not folder.is_dir() and kernels.is_dir():
        for other in kernels.iterdir():
            if time.time() - other.stat().st_mtime > _UNUSED_S:
                shutil.rmtree(other, ignore_errors=True)
    return folder
