"""The ways in which this project compiles a kernel with numba.

All release the GIL, so that plain threads over bands of rows run in
parallel, and keep the machine code on disk for later runs. Kernels that only
other kernels call have ways of their own, which compile faster.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numba

from stackbench.frames.machinecode import machine_code_folder

P = ParamSpec("P")
R = TypeVar("R")

FOLDER = machine_code_folder()
"""Where the machine code lies."""
numba.config.CACHE_DIR = str(FOLDER)

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


def inlined(function: Callable[P, R]) -> Callable[P, R]:
    """Compile as a part of the one kernel that calls this one, in that kernel's way.

    What a kernel calls is linked into it and optimised once more, at every
    level of calls: a kernel that calls many others, but is called in a single
    place, compiles faster as a part of its caller. It does not where it
    calls few.

    Parameters
    ----------
    function : callable
        Numeric function on arrays and scalars.

    Returns
    -------
    callable
        The same function, for one kernel to call.
    """
    return _jit(function, fastmath=False, inline="always")


def _jit(
    function: Callable[P, R], *, fastmath: bool | set[str], **options: bool | str
) -> Callable[P, R]:
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
