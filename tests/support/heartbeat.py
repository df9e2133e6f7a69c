"""How long an event loop was kept from beating."""

import time

from PySide6.QtCore import QTimer


class Heartbeat:
    """Beats in the event loop of the thread that makes it, and takes down the gaps.

    Parameters
    ----------
    every_ms : int
        From one beat to the next when nothing holds it up.
    """

    def __init__(self, *, every_ms: int = 5) -> None:
        self.gaps: list[float] = []
        self._last = time.perf_counter()
        self._timer = QTimer(interval=every_ms)
        self._timer.timeout.connect(self._beat)
        self._timer.start()

    @property
    def longest(self) -> float:
        """The longest gap so far, seconds."""
        return max(self.gaps, default=0.0)

    def _beat(self) -> None:
        now = time.perf_counter()
        self.gaps.append(now - self._last)
        self._last = now
