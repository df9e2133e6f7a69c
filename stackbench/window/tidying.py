"""What keeps the window quick beside a working job.

Qt lets go of Python's lock at most calls and must get it back each time. A
worker that is in Python code hands it over after the switch interval, by
default 5 ms: drawing three hundred cells would take a second. A shorter
interval costs a job nothing that can be measured, since its work on pixels
does not hold the lock.

Garbage is collected in the window's own thread, at moments of its own choice.
Python collects in whatever thread happens to ask for memory. In a worker that
would end Qt objects in the wrong thread. While a job works only what was made
since the last time is looked through, and what is still in use counts as old
from then on: to look through all that the job's libraries made takes about a
tenth of a second, and through what they made within one second up to a third.
"""

import gc
import sys

from PySide6.QtCore import QObject, Qt, QTimer, Slot
from PySide6.QtGui import QGuiApplication

_EVERY_MS = 25
_SWITCH_S = 0.0002
# Full collections find little and take up to half a second: one in this many
# rounds, and only while nothing is to be done and the person is at another program.
_FULL_EVERY = 4800


class Tidier(QObject):
    """Shortens the switch interval, and collects garbage from a timer, while it lives.

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
        self._interval = sys.getswitchinterval()
        sys.setswitchinterval(_SWITCH_S)
        gc.disable()
        timer = QTimer(self)
        timer.timeout.connect(self.tidy)
        timer.start(_EVERY_MS)

    @Slot()
    def tidy(self) -> None:
        """Collect what is young; now and then, when nobody looks, everything."""
        self._rounds += 1
        if self._rounds >= _FULL_EVERY and not self.busy and not _looked_at():
            self._rounds = 0
            gc.collect()
        elif gc.get_count()[0] > self._threshold:
            gc.collect(0)
            # together these put what is left among the oldest, at no cost
            gc.freeze()
            gc.unfreeze()

    def end(self) -> None:
        """Leave collecting and switching to Python again."""
        gc.enable()
        sys.setswitchinterval(self._interval)


def _looked_at() -> bool:
    return QGuiApplication.applicationState() is Qt.ApplicationState.ApplicationActive
