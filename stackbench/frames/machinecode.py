"""Where the machine code of kernels lies; to be asked without loading the compiler."""

import hashlib
import os
import re
import shutil
import time
from contextlib import suppress
from pathlib import Path

import platformdirs

_UNUSED_S = 30 * 24 * 3600.0
_KERNEL = re.compile(rb"^@(compiled|inner|inlined)", re.MULTILINE)


def kernel_sources(package: Path) -> dict[Path, bytes]:
    """Read the modules of all folders that have a kernel in them.

    Parameters
    ----------
    package : Path
        The package's folder.

    Returns
    -------
    dict of Path to bytes
        Their text by their paths, in the order of the paths.
    """
    sources = {path: path.read_bytes() for path in sorted(package.rglob("*.py"))}
    folders = {path.parent for path, source in sources.items() if _KERNEL.search(source)}
    return {path: source for path, source in sources.items() if path.parent in folders}


def machine_code_folder() -> Path:
    """Name the folder for the machine code of exactly these kernels.

    Numba's own check looks only at the file of the kernel that is called: a
    change to one that it calls, or to a constant that it uses, in another file,
    would go unnoticed. So the folder's name is a digest of all that kernels may
    be made of (`kernel_sources`). Folders of other versions go when nobody used
    them for a month. NUMBA_CACHE_DIR, where it is set, has the say.

    Returns
    -------
    Path
        In the person's cache folder; not there before the first kernel is
        compiled.
    """
    if chosen := os.environ.get("NUMBA_CACHE_DIR"):
        return Path(chosen)
    digest = hashlib.sha256()
    for source in kernel_sources(Path(__file__).parents[1]).values():
        digest.update(source)
    kernels = Path(platformdirs.user_cache_dir("stackbench", appauthor=False)) / "kernels"
    folder = kernels / digest.hexdigest()[:16]
    with suppress(OSError):  # two programs may tidy at once; a stale folder harms nobody
        if folder.is_dir():
            os.utime(folder)  # reading alone would leave no sign of use
        elif kernels.is_dir():
            for other in kernels.iterdir():
                if time.time() - other.stat().st_mtime > _UNUSED_S:
                    shutil.rmtree(other, ignore_errors=True)
    return folder
