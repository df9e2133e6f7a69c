"""Loading what the work on pixels needs, while the disk is read anyway."""

import importlib
import threading

# in the order in which the job wants them
_NEEDED = (
    "stackbench.job.mastermaking",
    "stackbench.stars.quality",
    "stackbench.registration.matching",
    "stackbench.job.stackmaking",
    "stackbench.job.channelmaking",
    "stackbench.export.report",
    "tifffile",
    "PIL.PngImagePlugin",
)


class Warming:
    """Loads the libraries for the work on pixels in a thread of its own, once.

    They take about a second of one processor, of which taking checksums and
    making masters leave enough: both let other threads run.
    """

    def __init__(self) -> None:
        self._thread: threading.Thread | None = None

    def begin(self) -> None:
        """Start to load; whoever imports one of them meanwhile waits for it."""
        if self._thread is None:
            self._thread = threading.Thread(target=_load, name="warming up", daemon=True)
            self._thread.start()

    def wait(self) -> None:
        """Wait until all are loaded, if loading has begun."""
        if self._thread is not None:
            self._thread.join()


def _load() -> None:
    for name in _NEEDED:
        importlib.import_module(name)
