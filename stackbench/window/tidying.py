"""Garbage collection in the window's own thread, at moments of its own choice.

Python collects in whatever thread happens to ask for memory. In a worker that
would end Qt objects in the wrong thread, and one full collection holds up the
window for about a tenth of a second once the job's libraries are loaded.
"""

import gc

from PySide6.QtCore import QObject, QTimer, Slot

_EVERY_MS = 1000
# Full collections find little and cost most: one in this many rounds, and
# only while nothing else is to be done.
_FULL_EVERY = 120


class Tidier(QObject):
    """Collects garbage from a timer while it lives.

    Parameters
    ----------
    parent : QObject
        Ends it.
    """

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self.busy = False
        self._rounds = 0
        self._threshold = gc.get_threshold()[0]
        gc.disable()
        timer = QTimer(self)
        timer.timeout.connect(self.tidy)
        timer.start(_EVERY_MS)

    @Slot()
    def tidy(self) -> None:
        """Collect what is young; now and then, when idle, everything."""
        self._rounds += 1
        if self._rounds >= _FULL_EVERY and not self.busy:
            self._rounds = 0
            gc.collect()
        elif gc.get_count()[0] > self._threshold:
            gc.collect(1)

    def end(self) -> None:
        """Leave collecting to Python again."""
        gc.enable()
