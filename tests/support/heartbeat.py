"""How long an event loop was kept from beating."""

import time

from PySide6.QtCore import QTimer


class Heartbeat:
    """Beats in the event loop of the thread that makes it, and takes down the gaps.

    `gaps` are in seconds by the clock. `own` is how much of each gap the
    thread itself worked, in seconds of its processor: other programs on the
    machine do not lengthen that.

    Parameters
    ----------
    every_ms : int
        From one beat to the next when nothing holds it up.
    """

    def __init__(self, *, every_ms: int = 5) -> None:
        self.gaps: list[float] = []
        self.own: list[float] = []
        self._last = time.perf_counter()
        self._last_own = time.thread_time()
        self._timer = QTimer(interval=every_ms)
        self._timer.timeout.connect(self._beat)
        self._timer.start()

    @property
    def longest(self) -> float:
        """The longest gap so far, seconds."""
        return max(self.gaps, default=0.0)

    @property
    def longest_own(self) -> float:
        """The longest work without a beat so far, processor seconds."""
        return max(self.own, default=0.0)

    def _beat(self) -> None:
        now, own = time.perf_counter(), time.thread_time()
        self.gaps.append(now - self._last)
        self.own.append(own - self._last_own)
        self._last, self._last_own = now, own
