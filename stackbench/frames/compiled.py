"""The ways in which this project compiles a kernel with numba.

All release the GIL, so that plain threads over bands of rows run in
parallel, and keep the machine code on disk for later runs. Kernels that only
other kernels call have ways of their own, which compile faster.
"""

import hashlib
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numba
import platformdirs

P = ParamSpec("P")
R = TypeVar("R")

_UNUSED_S = 30 * 24 * 3600.0


def _machine_code_folder() -> Path:
    """Name the folder for the machine code of exactly these kernels.

    Numba's own check looks only at the file of the kernel that is called: a
    change to one that it calls, in another file, would go unnoticed. So the
    folder's name is a digest of all files with kernels in them. Folders of
    other versions go when nobody used them for a month.
    """
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


if not numba.config.CACHE_DIR:  # NUMBA_CACHE_DIR, where set, has the say
    numba.config.CACHE_DIR = str(_machine_code_folder())

# NaN means "undefined" throughout, so the two flags that let the compiler
# assume that no NaN and no infinity occurs are left out on purpose.
_NAN_SAFE_FASTMATH = {"contract", "reassoc", "nsz", "arcp"}
_NO_ENTRY = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel whose order of operations is kept as written.

    Parameters
    ----------
    function : callable
        Numeric function on arrays and scalars.

    Returns
    -------
    callable
        The same function, compiled at its first call.
    """
    return _jit(function, fastmath=False)


def compiled_fast(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel whose sums may be reordered, so that they vectorise.

    Parameters
    ----------
    function : callable
        Numeric function on arrays and scalars; NaN keeps its meaning.

    Returns
    -------
    callable
        The same function, compiled at its first call.
    """
    return _jit(function, fastmath=_NAN_SAFE_FASTMATH)


def inner(function: Callable[P, R]) -> Callable[P, R]:
    """Compile, as `compiled` does, a kernel that only other kernels call.

    It has no entry for Python, which saves a sixth of its compiling: called
    from Python, it would bring the process down. A test looks for such calls.

    Parameters
    ----------
    function : callable
        Numeric function on arrays and scalars.

    Returns
    -------
    callable
        The same function, for kernels to call.
    """
    return _jit(function, fastmath=False, **_NO_ENTRY)


def inner_fast(function: Callable[P, R]) -> Callable[P, R]:
    """Compile, as `compiled_fast` does, a kernel that only other kernels call.

    It has no entry for Python, which saves a sixth of its compiling: called
    from Python, it would bring the process down. A test looks for such calls.

    Parameters
    ----------
    function : callable
        Numeric function on arrays and scalars; NaN keeps its meaning.

    Returns
    -------
    callable
        The same function, for kernels to call.
    """
    return _jit(function, fastmath=_NAN_SAFE_FASTMATH, **_NO_ENTRY)


def _jit(function: Callable[P, R], *, fastmath: bool | set[str], **options: bool) -> Callable[P, R]:
    decorate: Any = numba.njit(
        cache=True, nogil=True, error_model="numpy", fastmath=fastmath, **options
    )
    kernel: Callable[P, R] = decorate(function)
    return kernel


def is_on_disk(kernel: Callable[P, R]) -> bool:
    """Tell whether an earlier run left the machine code of a kernel.

    Parameters
    ----------
    kernel : callable
        From `compiled` or `compiled_fast`.

    Returns
    -------
    bool
        False when its first call will have to compile it.
    """
    dispatcher: Any = kernel
    folder = Path(dispatcher.stats.cache_path)
    return any(folder.glob(f"*{dispatcher.py_func.__qualname__}-*.nbi"))
