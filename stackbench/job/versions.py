"""Which versions took part, for the record."""

import platform
from functools import cache
from importlib.metadata import version

_LIBRARIES = ("numpy", "numba", "scipy", "astropy", "ccdproc")


@cache
def library_versions() -> dict[str, str]:
    """List the versions of Python and of the libraries that touch pixels.

    Returns
    -------
    dict of str to str
        Name to version.
    """
    return {"Python": platform.python_version(), **{name: version(name) for name in _LIBRARIES}}
