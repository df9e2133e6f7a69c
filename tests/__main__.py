"""Run the tests, after seeing to it that Qt finds its libraries on Linux.

`python -m tests [arguments of pytest]`. Without arguments all tests run: first
those of the floors, two modules at a time, then those of the window, which
watch the clock and so have the machine to themselves.
"""

import ctypes
import os
import shutil
import subprocess
import sys

import pytest

# What Qt loads at its start, by the Debian package that brings it. Wheels
# cannot carry these; a desktop has them, a bare server or container has not.
_LIBRARIES = {
    "libegl1": "libEGL.so.1",
    "libgl1": "libGL.so.1",
    "libxkbcommon0": "libxkbcommon.so.0",
    "libdbus-1-3": "libdbus-1.so.3",
    "libfontconfig1": "libfontconfig.so.1",
    "libglib2.0-0": "libglib-2.0.so.0",
}


def missing_packages() -> list[str]:
    """List the Debian packages whose libraries cannot be loaded."""
    missing = []
    for package, library in _LIBRARIES.items():
        try:
            ctypes.CDLL(library)
        except OSError:
            missing.append(package)
    return missing


def prepare_qt() -> None:
    """Install what Qt needs where that is allowed, else say what to install."""
    if not sys.platform.startswith("linux"):
        return
    missing = missing_packages()
    if not missing:
        return
    apt = shutil.which("apt-get")
    if apt is not None and os.geteuid() == 0:
        subprocess.run([apt, "update", "-q"], check=True)
        install = [apt, "install", "-q", "-y", "--no-install-recommends", *missing]
        subprocess.run(install, check=True)
        return
    sys.exit(
        "Qt needs libraries that this machine lacks. On Debian or Ubuntu run\n"
        f"  sudo apt-get install {' '.join(missing)}\n"
        "elsewhere install the packages that bring "
        f"{', '.join(_LIBRARIES[package] for package in missing)}; then run the tests again."
    )


if __name__ == "__main__":
    prepare_qt()
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    if len(sys.argv) > 1:
        sys.exit(pytest.main(sys.argv[1:]))
    sys.exit(
        pytest.main(["-n", "2", "--dist", "loadscope", "--ignore=tests/window"])
        or pytest.main(["tests/window"])
    )
