"""All frames as the rows of a table."""

from typing import Any

from PySide6.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    Qt,
    Slot,
)

from stackbench.frames.labels import label_words
from stackbench.frames.records import Frame, Kind
from stackbench.frames.words import celsius, seconds
from stackbench.window.night import NightModel
from stackbench.window.subwords import clock

Index = QModelIndex | QPersistentModelIndex
SORT = Qt.ItemDataRole.UserRole  # what a column is sorted by

_HEADS = ("File", "Kind", "Filter", "Target", "Exposure", "Sensor", "Taken", "Folder")
_FILTERED = (Kind.LIGHT, Kind.FLAT, Kind.UNKNOWN)
_KIND, _FILTER = _HEADS.index("Kind"), _HEADS.index("Filter")


class FrameTable(QAbstractTableModel):
    """Lists every frame that can be read, as it is labelled.

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
        self._frames: tuple[Frame, ...] = model.state.frames
        model.changed.connect(self.refresh)

    @Slot()
    def refresh(self) -> None:
        """Take on the frames as they are now; the same files keep their places."""
        before, self._frames = self._frames, self._model.state.frames
        if [one.path for one in before] != [one.path for one in self._frames]:
            self.beginResetModel()
            self.endResetModel()
        elif before != self._frames:
            corner = self.index(len(self._frames) - 1, len(_HEADS) - 1)
            self.dataChanged.emit(self.index(0, 0), corner)

    def frame(self, row: int) -> Frame:
        """Give the frame of a row.

        Parameters
        ----------
        row : int
            The row in this table.

        Returns
        -------
        Frame
            The frame.
        """
        return self._frames[row]

    def rowCount(self, parent: Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt's
        """Count the frames."""
        return 0 if parent.isValid() else len(self._frames)

    def columnCount(self, parent: Index = QModelIndex()) -> int:  # noqa: N802, B008 - Qt's
        """Count the facts."""
        return 0 if parent.isValid() else len(_HEADS)

    def headerData(  # noqa: N802 - Qt's name
        self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole
    ) -> Any:
        """Name the facts."""
        if orientation is Qt.Orientation.Horizontal and role == Qt.ItemDataRole.DisplayRole:
            return _HEADS[section]
        return None

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Give a frame's fact, in words or to sort by."""
        frame, column = self._frames[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return self._written(frame, column)
        if role == SORT:
            return self._order(frame, column)
        if role == Qt.ItemDataRole.ToolTipRole:
            return "\n".join((str(frame.path), *self._by_hand(frame)))
        return None

    def _by_hand(self, frame: Frame) -> tuple[str, ...]:
        stated = self._model.state.stated.get(frame.path)
        return () if stated is None else label_words(stated, frame)

    def _marked(self, frame: Frame, column: int) -> bool:
        stated = self._model.state.stated.get(frame.path)
        if stated is None:
            return False
        return (column == _KIND and stated.kind is not frame.kind) or (
            column == _FILTER and stated.filter != frame.filter
        )

    def _written(self, frame: Frame, column: int) -> str:
        match _HEADS[column]:
            case "File":
                words = frame.path.name
            case "Kind":
                words = str(frame.kind)
            case "Filter":
                # for the others it is where the wheel happened to stand
                words = (frame.filter or "–") if frame.kind in _FILTERED else ""
            case "Target":
                words = (frame.target or "–") if frame.kind is Kind.LIGHT else ""
            case "Exposure":
                words = "–" if frame.exposure_s is None else seconds(frame.exposure_s)
            case "Sensor":
                words = "–" if frame.temperature_c is None else celsius(frame.temperature_c)
            case "Taken":
                words = "–" if frame.time is None else f"{frame.time:%Y-%m-%d} {clock(frame.time)}"
            case _:
                words = frame.path.parent.name
        return f"{words}, by hand" if self._marked(frame, column) else words

    def _order(self, frame: Frame, column: int) -> Any:
        match _HEADS[column]:
            case "Exposure":
                return -1.0 if frame.exposure_s is None else frame.exposure_s
            case "Sensor":
                return -300.0 if frame.temperature_c is None else frame.temperature_c
            case "Taken":
                return 0.0 if frame.time is None else frame.time.timestamp()
            case _:
                return self._written(frame, column).casefold()
