"""The subs in an order to go through them."""

from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import (
    QAbstractListModel,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    QPoint,
    QRect,
    QSize,
    Qt,
    Slot,
)
from PySide6.QtGui import QColor, QGuiApplication, QPixmap

from stackbench.window.measures import MEASURES, lowered
from stackbench.window.night import NightModel, SubRow
from stackbench.window.pixmaps import grey_pixmap
from stackbench.window.subwords import clock, state_words, tip

Index = QModelIndex | QPersistentModelIndex
DOUBT, TIME = "doubt", "time"
THUMB_ROOM = (72, 48)
_MOST_THUMBS = 600


def orders() -> list[tuple[str, str]]:
    """List the orders that can be chosen.

    Returns
    -------
    list of (str, str)
        Name, and words.
    """
    return [
        (DOUBT, "Doubtful first"),
        (TIME, "By time"),
        *((one.name, f"By {lowered(one.words)}") for one in MEASURES),
    ]


class SubList(QAbstractListModel):
    """Lists the night's subs in the chosen order.

    Parameters
    ----------
    model : NightModel
        The night.
    parent : QObject, optional
        What it belongs to.
    """

    def __init__(self, model: NightModel, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._order = DOUBT
        self._rows: list[SubRow] = []
        self._thumbs: OrderedDict[Path, QPixmap] = OrderedDict()
        self._empty = QPixmap(*THUMB_ROOM)
        self._empty.fill(QColor(128, 128, 128, 60))
        model.changed.connect(self._renew)
        self._renew()

    @property
    def order(self) -> str:
        """The order.

        Returns
        -------
        str
            Its name.
        """
        return self._order

    def sort_by(self, order: str) -> None:
        """List in another order.

        Parameters
        ----------
        order : str
            A name from `orders`.
        """
        self._order = order
        self._sort()

    def paths(self) -> list[Path]:
        """List the subs.

        Returns
        -------
        list of Path
            In order.
        """
        return [row.path for row in self._rows]

    def rows(self) -> list[SubRow]:
        """List the subs.

        Returns
        -------
        list of SubRow
            In order; not to be changed.
        """
        return self._rows

    def has_thumb(self, path: Path) -> bool:
        """Tell whether a sub has its small picture.

        Parameters
        ----------
        path : Path
            The sub.

        Returns
        -------
        bool
            False when it was let go of to make room for others.
        """
        return path in self._thumbs

    def forget_thumbs(self) -> None:
        """Forget the small pictures, for the subs are calibrated otherwise by now."""
        self._thumbs.clear()
        if self._rows:
            self.dataChanged.emit(self.index(0), self.index(len(self._rows) - 1))

    def show_thumb(self, path: Path, grey: NDArray[np.uint8]) -> None:
        """Show a sub's small picture.

        Parameters
        ----------
        path : Path
            The sub.
        grey : ndarray, shape (ny, nx), uint8
            Row 0 at the bottom.
        """
        place = next((n for n, row in enumerate(self._rows) if row.path == path), None)
        if place is None:
            return
        # as many pixels as the sharpest screen shows in this room
        ratio = max(screen.devicePixelRatio() for screen in QGuiApplication.screens())
        room = QSize(*THUMB_ROOM) * ratio
        thumb = grey_pixmap(grey[::-1]).scaled(
            room,
            Qt.AspectRatioMode.KeepAspectRatioByExpanding,
            Qt.TransformationMode.SmoothTransformation,
        )
        thumb = thumb.copy(QRect(QPoint(0, 0), room))
        thumb.setDevicePixelRatio(ratio)
        self._thumbs[path] = thumb
        self._thumbs.move_to_end(path)
        while len(self._thumbs) > _MOST_THUMBS:
            self._thumbs.popitem(last=False)
        self.dataChanged.emit(self.index(place), self.index(place))

    def rowCount(self, parent: Index | None = None) -> int:  # noqa: ARG002, N802 - Qt's name
        """Count the subs."""
        return len(self._rows)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Tell what to show of a sub."""
        if not index.isValid():
            return None
        row = self._rows[index.row()]
        if role == Qt.ItemDataRole.DecorationRole:
            return self._thumbs.get(row.path, self._empty)
        if role == Qt.ItemDataRole.DisplayRole:
            sign = "✕" if row.rejected else "✓" if row.verdict is not None else "·"
            lane = self._model.lanes[row.lane]
            doubt = "  ?" if row.doubt > 0 else ""
            hand = "  hand" if row.by_hand else ""  # with more the time would have no room
            time = clock(row.frame.time).removesuffix(" UTC")  # the ribbon says so
            return f"{sign}  {lane.filter_name}  {time}{doubt}{hand}\n{row.path.name}"
        if role == Qt.ItemDataRole.ToolTipRole:
            return tip(row, self._model)
        if role == Qt.ItemDataRole.AccessibleTextRole:
            return f"{row.path.name}: {state_words(row)}"
        return None

    @Slot()
    def _renew(self) -> None:
        # a decision must not pull the list away under the person's hands: the
        # order stays until other subs or measures come
        known = {row.path: row for row in self._model.rows}
        judged = any(row.judged is not None for row in self._model.rows)
        was_judged = any(row.judged is not None for row in self._rows)
        if set(known) == {row.path for row in self._rows} and judged == was_judged:
            self._rows = [known[row.path] for row in self._rows]
            if self._rows:
                self.dataChanged.emit(self.index(0), self.index(len(self._rows) - 1))
            return
        self._thumbs.clear()  # other subs, or with a stretch that is known by now
        self._sort()

    def _sort(self) -> None:
        self.beginResetModel()
        self._rows = sorted(self._model.rows, key=self._key())
        self.endResetModel()

    def _key(self) -> Callable[[SubRow], tuple[float, ...]]:
        place = {row.path: number for number, row in enumerate(self._model.rows)}
        if self._order == TIME:
            return lambda row: (place[row.path],)
        if self._order == DOUBT:
            # doubtful first, then the other rejected ones, then the rest by time
            return lambda row: (-row.doubt, not row.rejected, place[row.path])
        measure = self._order

        def by_measure(row: SubRow) -> tuple[float, ...]:
            value = row.value(measure)
            return (value is None, value or 0.0, place[row.path])

        return by_measure
