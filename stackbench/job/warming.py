"""Loading what the work on pixels needs, while the disk is read anyway."""

import importlib
import threading

_NEEDED = (
    "stackbench.job.run",
    "stackbench.job.mastermaking",
    "stackbench.stars.quality",
    "stackbench.registration.matching",
    "stackbench.job.stackmaking",
    "stackbench.job.channelmaking",
    "stackbench.export.report",
    "tifffile",
    "PIL.PngImagePlugin",
)


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

    decode_16_bit_unscaled(np.zeros(1, np.uint16), True, 0, np.empty(1, np.float32))  # noqa: FBT003
