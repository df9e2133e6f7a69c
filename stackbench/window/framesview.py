"""All frames, to be sorted, searched, and labelled by hand."""

from pathlib import Path

from PySide6.QtCore import (
    QModelIndex,
    QObject,
    QPersistentModelIndex,
    QSortFilterProxyModel,
    Qt,
    Signal,
    Slot,
)
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QHBoxLayout,
    QHeaderView,
    QLineEdit,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from stackbench.frames.labels import Label
from stackbench.frames.records import Frame, Kind
from stackbench.frames.words import counted
from stackbench.job.labelling import KINDS, NO_FILTER
from stackbench.window.frametable import FrameTable
from stackbench.window.night import NightModel
from stackbench.window.parts import ElidedLabel, button

_AS_IT_IS = "as it is"
_USUAL_FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")


class FramesView(QWidget):
    """Shows all frames; asks to set kinds and filters, sets none.

    `label_asked` comes with the paths of the chosen frames and a label; None
    leaves them to their headers again.

    Parameters
    ----------
    model : NightModel
        The night.
    """

    label_asked = Signal(object, object)

    def __init__(self, model: NightModel) -> None:
        super().__init__()
        self._model = model
        self._busy = False
        self._shown: tuple[Frame, ...] | None = None
        self._table = FrameTable(model, self)
        self._found = _FoundFrames(self._table, self)
        self.table = _view(self._found)
        self.search = QLineEdit()
        self.search.setPlaceholderText("Show only frames with these words, such as unknown")
        self.search.setAccessibleName("Show only frames with these words")
        self.search.setToolTip("Names, kinds, filters; those with all words are shown")
        self.search.setClearButtonEnabled(True)
        self.kind = QComboBox()
        self.kind.setAccessibleName("Kind to set")
        self.kind.setToolTip("The kind that the chosen frames are to be")
        self.kind.addItem(f"Kind {_AS_IT_IS}", None)
        for kind in KINDS:
            self.kind.addItem(str(kind), kind)
        self.filter = QComboBox()
        self.filter.setAccessibleName("Filter to set; a name can be typed")
        self.filter.setToolTip("The filter that the chosen frames are to be of")
        self.filter.setEditable(True)
        self.filter.setInsertPolicy(QComboBox.InsertPolicy.NoInsert)
        self.apply = button("Set", "Set the kind and the filter of the chosen frames", main=True)
        self.clear = button(
            "As the header says", "Take back what was set by hand for the chosen frames"
        )
        self._words = ElidedLabel("muted")
        self._lay_out()
        self.search.textChanged.connect(self._found.search)
        self.table.selectionModel().selectionChanged.connect(self.refresh)
        self.kind.currentIndexChanged.connect(self.refresh)
        self.filter.editTextChanged.connect(self.refresh)
        self.apply.clicked.connect(self._ask)
        self.clear.clicked.connect(lambda: self.label_asked.emit(self.chosen(), None))
        model.changed.connect(self._renew)
        self._renew()

    def chosen(self) -> list[Path]:
        """List the chosen frames.

        Returns
        -------
        list of Path
            In the order in which they are shown.
        """
        rows = sorted(index.row() for index in self.table.selectionModel().selectedRows())
        sources = (self._found.mapToSource(self._found.index(row, 0)) for row in rows)
        return [self._table.frame(source.row()).path for source in sources]

    def set_busy(self, *, busy: bool) -> None:
        """Tell whether work is under way, during which nothing can be set.

        Parameters
        ----------
        busy : bool
            Whether it is.
        """
        self._busy = busy
        self.refresh()

    def _lay_out(self) -> None:
        setting = QHBoxLayout()
        setting.setSpacing(8)
        setting.addWidget(self._words, 1)
        for one in (self.kind, self.filter, self.apply, self.clear):
            setting.addWidget(one)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 8, 12, 10)
        layout.setSpacing(8)
        layout.addWidget(self.search)
        layout.addWidget(self.table, 1)
        layout.addLayout(setting)

    @Slot()
    def _renew(self) -> None:
        frames = self._model.state.frames
        if frames is self._shown:
            return
        self._shown = frames
        known = {one.filter for one in frames if one.filter and one.kind in (Kind.LIGHT, Kind.FLAT)}
        names = sorted(known | set(_USUAL_FILTERS), key=lambda name: (name not in known, name))
        text = self.filter.currentText() or f"Filter {_AS_IT_IS}"
        self.filter.clear()
        self.filter.addItems([f"Filter {_AS_IT_IS}", *names, NO_FILTER])
        self.filter.setCurrentText(text)
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """Say what can be set for how many frames."""
        count = len(self.table.selectionModel().selectedRows())
        if self._busy:
            words = "Stop the work first; then kinds and filters can be set"
        elif not count:
            words = "Choose frames to set their kind or filter by hand; raw files stay as they are"
        else:
            words = f"For {counted(count, 'chosen frame')}"
        self._words.setText(words)
        able = bool(count) and not self._busy
        self.apply.setEnabled(able and self._label() != Label())
        by_hand = self._model.state.stated
        self.clear.setEnabled(able and any(path in by_hand for path in self.chosen()))

    def _label(self) -> Label:
        text = self.filter.currentText().strip()
        named = text and text != f"Filter {_AS_IT_IS}"
        kind = self.kind.currentData()
        return Label(kind=None if kind is None else Kind(kind), filter=text if named else None)

    @Slot()
    def _ask(self) -> None:
        self.label_asked.emit(self.chosen(), self._label())
        self.kind.setCurrentIndex(0)
        self.filter.setCurrentIndex(0)


_Index = QModelIndex | QPersistentModelIndex


class _FoundFrames(QSortFilterProxyModel):
    """The frames with the words that are searched for; the table itself puts them in order."""

    def __init__(self, table: FrameTable, parent: QObject) -> None:
        super().__init__(parent)
        self._table = table
        self.setSourceModel(table)
        self._sought: list[str] = []

    def search(self, words: str) -> None:
        """Leave those rows that have all words, each in any column."""
        self._sought = words.casefold().split()
        self.invalidate()

    def filterAcceptsRow(self, row: int, parent: _Index) -> bool:  # noqa: N802 - Qt's name
        """Tell whether a row has all words."""
        table = self._table
        columns = range(table.columnCount(parent))
        cells = [str(table.index(row, n, parent).data() or "").casefold() for n in columns]
        return all(any(word in cell for cell in cells) for word in self._sought)

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        self._table.sort(column, order)


def _view(model: QSortFilterProxyModel) -> QTableView:
    view = QTableView()
    view.setModel(model)
    view.setAccessibleName("All frames")
    view.setToolTip("The frames (↑ ↓, with Shift several)")
    view.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
    view.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
    view.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
    view.setSortingEnabled(True)
    view.sortByColumn(0, Qt.SortOrder.AscendingOrder)
    view.setShowGrid(False)
    view.setAlternatingRowColors(True)
    view.setWordWrap(False)
    view.setTabKeyNavigation(False)
    view.verticalHeader().hide()
    view.verticalHeader().setDefaultSectionSize(24)
    header = view.horizontalHeader()
    header.setHighlightSections(False)
    header.setStretchLastSection(True)
    header.setDefaultAlignment(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
    for column, width in enumerate((230, 130, 110, 130, 80, 80, 160)):
        header.setSectionResizeMode(column, QHeaderView.ResizeMode.Interactive)
        header.resizeSection(column, width)
    return view
