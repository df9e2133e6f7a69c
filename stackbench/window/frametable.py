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

_HEADS = ("File", "Kind", "Filter", "Target", "Exposure", "Sensor", "Taken", "Folder")
_FILTERED = (Kind.LIGHT, Kind.FLAT, Kind.UNKNOWN)
_KIND, _FILTER = _HEADS.index("Kind"), _HEADS.index("Filter")


class FrameTable(QAbstractTableModel):
    """Lists every frame that can be read, as it is labelled, in the order asked for.

    It sorts by itself and all at once: Qt's own sorting asks for every fact
    it compares, which beside a working job takes a third of a second.

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
        self._known: tuple[Frame, ...] = model.state.frames
        self._frames: list[Frame] = list(self._known)
        self._order = (0, False)
        model.changed.connect(self.refresh)

    @Slot()
    def refresh(self) -> None:
        """Take on the frames as they are now; the same files keep their places."""
        before, self._known = self._known, self._model.state.frames
        if [one.path for one in before] != [one.path for one in self._known]:
            self.beginResetModel()
            self._frames = self._in_order()
            self.endResetModel()
        elif before != self._known:
            self._sort()
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

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        """List the frames by one of their facts.

        Parameters
        ----------
        column : int
            The fact; below 0 the first.
        order : Qt.SortOrder
            Upwards or downwards.
        """
        self._order = (max(column, 0), order is Qt.SortOrder.DescendingOrder)
        self._sort()

    def _sort(self) -> None:
        """Put the frames in order; what is chosen stays so."""
        self.layoutAboutToBeChanged.emit()
        held = self.persistentIndexList()
        paths = [self._frames[one.row()].path for one in held]
        self._frames = self._in_order()
        rows = {frame.path: row for row, frame in enumerate(self._frames)}
        new = [self.index(rows[path], one.column()) for path, one in zip(paths, held, strict=True)]
        self.changePersistentIndexList(held, new)
        self.layoutChanged.emit()

    def _in_order(self) -> list[Frame]:
        column, downwards = self._order
        return sorted(self._known, key=lambda frame: self._rank(frame, column), reverse=downwards)

    def data(self, index: Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        """Give a frame's fact in words."""
        frame, column = self._frames[index.row()], index.column()
        if role == Qt.ItemDataRole.DisplayRole:
            return self._written(frame, column)
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

    def _rank(self, frame: Frame, column: int) -> Any:
        match _HEADS[column]:
            case "Exposure":
                return -1.0 if frame.exposure_s is None else frame.exposure_s
            case "Sensor":
                return -300.0 if frame.temperature_c is None else frame.temperature_c
            case "Taken":
                return 0.0 if frame.time is None else frame.time.timestamp()
            case _:
                return self._written(frame, column).casefold()
