"""The two ways in which this project compiles a kernel with numba.

Both release the GIL, so that plain threads over bands of rows run in
parallel, and both keep the machine code on disk for later runs.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numba

P = ParamSpec("P")
R = TypeVar("R")

# NaN means "undefined" throughout, so the two flags that let the compiler
# assume that no NaN and no infinity occurs are left out on purpose.
_NAN_SAFE_FASTMATH = {"contract", "reassoc", "nsz", "arcp"}


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


def _jit(function: Callable[P, R], *, fastmath: bool | set[str]) -> Callable[P, R]:
    decorate: Any = numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=fastmath)
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
