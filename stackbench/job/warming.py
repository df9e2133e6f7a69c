"""Loading what the work on pixels needs, while the disk is read anyway."""

import importlib
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_NEEDED = (
    "stackbench.job.run",
    "stackbench.job.mastermaking",
    "stackbench.stars.quality",
    "stackbench.registration.matching",
    "stackbench.job.stackmaking",
    "stackbench.job.channelmaking",
    "stackbench.export.report",
    "stackbench.job.words",
    "tifffile",
    "PIL.PngImagePlugin",
)


_HAND_OVER_S = 0.0001


@contextmanager
def handing_over_soon() -> Iterator[None]:
    """Have Python's lock handed over soon between threads, for as long as this lasts.

    Between two blocks of a file, whoever sums it needs the lock for a moment.
    A thread that loads libraries keeps it for 5 ms at a time otherwise, longer
    than summing a block takes.
    """
    before = sys.getswitchinterval()
    sys.setswitchinterval(_HAND_OVER_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)


def warm_up() -> threading.Thread:
    """Start to load the libraries for the work on pixels.

    They take about a second, of which taking checksums leaves a processor's
    time: hashing lets other threads run.

    Returns
    -------
    Thread
        What loads them; whoever needs one of them meanwhile waits for it.
    """
    thread = threading.Thread(target=_load, name="warming up", daemon=True)
    thread.start()
    return thread


def _load() -> None:
    for name in _NEEDED:
        importlib.import_module(name)
    _call_a_kernel()


def _call_a_kernel() -> None:
    """Have numba load its typing, which the first kernel of a process waits for."""
    import numpy as np

    from stackbench.frames.decoding import decode_16_bit_unscaled

    words = np.zeros(1, np.uint16)
    words.flags.writeable = False  # as rows of a file are, for which the kernel is there already
    decode_16_bit_unscaled(words, True, 0, np.empty(1, np.float32))  # noqa: FBT003
