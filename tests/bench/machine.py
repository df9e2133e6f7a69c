"""On what machine the figures were measured."""

import os
import platform
import sys
from importlib.metadata import version
from pathlib import Path

_LIBRARIES = ("numpy", "numba", "astropy", "ccdproc", "photutils", "astroalign", "scikit-image")


def machine_lines() -> list[str]:
    """Name processor, memory, system and versions, and how busy the machine is."""
    lines = [
        f"{_processor()}, {os.cpu_count()} processors, {_memory()}"
        f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
        ", ".join(f"{name} {version(name)}" for name in _LIBRARIES),
    ]
    load = busy()
    if load is not None:
        lines.append(f"load before the start: {load:.1f}" + (" (not quiet)" if load > 0.5 else ""))
    return lines


def busy() -> float | None:
    """Tell how many processes wanted to run in the last minute, where the system tells."""
    return os.getloadavg()[0] if hasattr(os, "getloadavg") else None


def _processor() -> str:
    if sys.platform == "linux":
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or "unknown processor"


def _memory() -> str:
    if sys.platform == "win32" or "SC_PHYS_PAGES" not in os.sysconf_names:
        return ""
    gib = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / (1 << 30)
    return f"{gib:.0f} GiB, "
