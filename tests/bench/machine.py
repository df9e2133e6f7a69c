"""On what machine the figures were measured."""

import hashlib
import os
import platform
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.metadata import version
from pathlib import Path

import numpy as np

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


def two_threads() -> dict[str, float]:
    """Tell how much faster than one thread two are, at work that shares nothing.

    Hashing needs the processors alone, adding arrays waits for the memory that
    they share: no program gains more than the first, and one that walks
    through frames hardly more than the second.
    """
    block = bytes(64 << 20)
    arrays = [np.zeros(16 << 20, dtype=np.float32) for _ in range(2)]
    return {
        "hashing": _gain(lambda _: hashlib.sha256(block)),
        "adding arrays": _gain(lambda n: np.add(arrays[n], 1.0, out=arrays[n])),
    }


def _gain(work: Callable[[int], object], *, repeats: int = 5) -> float:
    with ThreadPoolExecutor(2) as pool:
        seconds: dict[int, list[float]] = {1: [], 2: []}
        for _ in range(repeats):
            for threads, times in seconds.items():
                began = time.perf_counter()
                list(pool.map(work, range(threads)))
                times.append(time.perf_counter() - began)
    return 2 * min(seconds[1]) / min(seconds[2])


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
