"""The subs as a strip of small pictures with words."""

from PySide6.QtCore import QSize, Qt, QTimer, Signal
from PySide6.QtGui import QResizeEvent, QShowEvent
from PySide6.QtWidgets import QListView

from stackbench.window.night import SubRow
from stackbench.window.sublist import THUMB_ROOM, SubList

# Scrolling past many subs wants none of them.
_SETTLED_MS = 60


class FilmStrip(QListView):
    """Shows the list; `seen` comes when other rows are to be seen.

    Parameters
    ----------
    subs : SubList
        The list.
    """

    seen = Signal()

    def __init__(self, subs: SubList) -> None:
        super().__init__()
        self._subs = subs
        self._settled = QTimer(self, singleShot=True, interval=_SETTLED_MS)
        self._settled.timeout.connect(self.seen)
        self.setModel(subs)
        self.setAccessibleName("Subs")
        self.setToolTip("The subs (↑ ↓)")
        self.setUniformItemSizes(True)
        self.setIconSize(QSize(*THUMB_ROOM))
        self.setMinimumWidth(224)
        # what tells subs apart stands at the end of their names
        self.setTextElideMode(Qt.TextElideMode.ElideMiddle)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.verticalScrollBar().valueChanged.connect(self._settled.start)
        subs.modelReset.connect(self._settled.start)

    def rows_seen(self) -> list[SubRow]:
        """List the subs that are to be seen.

        Returns
        -------
        list of SubRow
            From top to bottom.
        """
        room = self.viewport().rect()
        first = self.indexAt(room.topLeft())
        if not first.isValid():
            return []
        last = self.indexAt(room.bottomLeft())
        stop = last.row() + 1 if last.isValid() else self._subs.rowCount()
        return self._subs.rows()[first.row() : stop]

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """See more, or less."""
        super().resizeEvent(event)
        self._settled.start()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 - Qt's name
        """See what was not seen before."""
        super().showEvent(event)
        self._settled.start()
