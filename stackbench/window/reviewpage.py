"""One sub beside the best of its filter, with the reasons for its verdict."""

from pathlib import Path

from PySide6.QtCore import QModelIndex, Qt, Signal, Slot
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QHBoxLayout,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from stackbench.job.store import Decision
from stackbench.window.controller import Controller
from stackbench.window.filmstrip import FilmStrip
from stackbench.window.night import SubRow
from stackbench.window.pairview import PairView
from stackbench.window.parts import button
from stackbench.window.reasons import ReasonsView
from stackbench.window.sublist import SubList, orders
from stackbench.window.subpictures import SUB, SubPictures

_AHEAD = 3


class ReviewPage(QWidget):
    """Shows the current sub; asks to decide and to look at another, sets neither.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    """

    wanted = Signal(object)
    decided = Signal(object)  # Decision or None

    def __init__(self, controller: Controller) -> None:
        super().__init__()
        self._model = controller.model
        self._controller = controller
        self._wanted: Path | None = None
        self._pictures = SubPictures(controller)
        self.pair = PairView(controller, self._pictures)
        self.setAccessibleName("Review")
        self.reasons = ReasonsView(self._model)
        self.list = SubList(self._model, self)
        self._edition = controller.edition
        self.strip = FilmStrip(self.list)
        self.order = QComboBox()
        self.order.setAccessibleName("Order of the subs")
        self.order.setToolTip("In which order the subs stand")
        for name, words in orders():
            self.order.addItem(words, name)
        remembered = self.order.findData(controller.choices.text("order", "doubt"))
        self.order.setCurrentIndex(max(remembered, 0))
        self.list.sort_by(str(self.order.currentData()))
        self.stars = QCheckBox("Shapes")
        self.stars.setToolTip("Draw the measured shapes of the stars, three times as large (S)")
        self.zones = QCheckBox("Field map")
        self.zones.setToolTip(
            "Draw FWHM, eccentricity and the direction that stars have in common, "
            "in nine parts of the field (M)"
        )
        for box, name, key in ((self.stars, "stars", "S"), (self.zones, "zones", "M")):
            box.setChecked(controller.choices.text(name, "no") == "yes")
            QShortcut(QKeySequence(key), self).activated.connect(box.toggle)
        self.pair.mark(stars=self.stars.isChecked(), zones=self.zones.isChecked())
        self._lay_out()
        self._connect()

    def _lay_out(self) -> None:
        left = QWidget()
        column = QVBoxLayout(left)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.order)
        column.addWidget(self.strip, 1)
        self.previous = button("Previous", "The sub before in this order (B)")
        self.next = button("Next", "The next sub in this order (N)")
        self.keep = button("Keep", "Keep it whatever the rules say (K)")
        self.reject = button("Reject", "Reject it whatever the rules say (R)")
        self.back = button("Hand back", "Leave it to the rules (H)")
        row = QHBoxLayout()
        row.setSpacing(8)
        for one in (self.previous, self.next):
            row.addWidget(one)
        row.addSpacing(8)
        for one in (self.keep, self.reject, self.back):
            row.addWidget(one)
        row.addStretch()
        row.addWidget(self.zones)
        row.addWidget(self.stars)
        right = QWidget()
        body = QVBoxLayout(right)
        body.setContentsMargins(0, 0, 0, 0)
        body.setSpacing(8)
        body.addWidget(self.pair, 1)
        body.addLayout(row)
        body.addWidget(self.reasons)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(left)
        split.addWidget(right)
        split.setStretchFactor(1, 1)
        split.setChildrenCollapsible(False)
        split.setHandleWidth(12)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(14, 10, 14, 8)
        outer.addWidget(split)

    def _connect(self) -> None:
        self._model.changed.connect(self.refresh)
        self._model.current_changed.connect(self.refresh)
        self._controller.pictures.ready.connect(self._picture_came)
        self._controller.pictures.failed.connect(self._picture_came)
        self.order.currentIndexChanged.connect(
            lambda index: self._sort_by(str(self.order.itemData(index)))
        )
        self.order.activated.connect(
            lambda index: self._controller.choices.keep_text(
                "order", str(self.order.itemData(index))
            )
        )
        self.strip.selectionModel().currentChanged.connect(self._picked)
        self.previous.clicked.connect(lambda: self.step(-1))
        self.next.clicked.connect(lambda: self.step(1))
        self.keep.clicked.connect(lambda: self.decided.emit(Decision.KEEP))
        self.reject.clicked.connect(lambda: self.decided.emit(Decision.REJECT))
        self.back.clicked.connect(lambda: self.decided.emit(None))
        self.stars.toggled.connect(self._remark)
        self.zones.toggled.connect(self._remark)
        self.strip.seen.connect(self._fill_strip)

    def fetched(self, row: SubRow) -> bool:
        """Tell whether a sub's picture is there to be shown.

        Parameters
        ----------
        row : SubRow
            The sub.

        Returns
        -------
        bool
            False while it is being made, or not wanted yet.
        """
        return self._pictures.get(row) is not None

    def step(self, by: int) -> None:
        """Ask for another sub in the order of the list.

        Parameters
        ----------
        by : int
            How many further; negative for back.
        """
        paths = self.list.paths()
        if not paths:
            return
        current = self._model.current
        index = paths.index(current) + by if current in paths else 0
        self.wanted.emit(paths[min(max(index, 0), len(paths) - 1)])

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Look at the first sub if none is looked at."""
        super().showEvent(event)  # type: ignore[arg-type]
        if self._model.current is None and self.list.paths():
            self.wanted.emit(self.list.paths()[0])
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """Show the current sub, if it can be seen."""
        if not self.isVisible():
            return
        row = self._model.row(self._model.current)
        if self._edition != self._controller.edition:
            self._edition = self._controller.edition
            self.list.forget_thumbs()
        # not at either end: the focus would go on to the next button, which decides
        for one in (self.previous, self.next):
            one.setEnabled(bool(self._model.rows))
        for one in (self.keep, self.reject, self.back):
            one.setEnabled(row is not None and row.verdict is not None)
        self.reasons.show_row(row)
        if row is None:
            words = "Choose a sub in the list or in the ribbon." if self._model.rows else ""
            self.pair.show_words(words)
            self._wanted = None
            return
        self._follow(row)
        self._show_pictures(row)

    def _sort_by(self, order: str) -> None:
        self.list.sort_by(order)
        row = self._model.row(self._model.current)
        if row is not None:
            self._follow(row)

    def _follow(self, row: SubRow) -> None:
        paths = self.list.paths()
        if row.path in paths:
            index = self.list.index(paths.index(row.path))
            if self.strip.currentIndex() != index:
                self.strip.setCurrentIndex(index)

    @Slot(QModelIndex, QModelIndex)
    def _picked(self, index: QModelIndex, before: QModelIndex) -> None:  # noqa: ARG002
        paths = self.list.paths()
        if index.isValid() and index.row() < len(paths):
            self.wanted.emit(paths[index.row()])

    def _show_pictures(self, row: SubRow) -> None:
        self._want_around(row, self._model.best_of(row.lane))
        self.pair.show_row(row)

    def _want_around(self, row: SubRow, best: SubRow | None) -> None:
        """Want the sub at once; then its neighbours, what the strip shows, and every best."""
        if self._controller.session is None:
            return
        if self._wanted != row.path:
            self._controller.pictures.drop_wishes()
            self._wanted = row.path
            self._pictures.retry(row)
        self._pictures.want(row, soon=True)
        if best is not None:
            self._pictures.want(best, soon=True)
        for other in self._neighbours(row):
            self._pictures.want(other, soon=False)
        for lane in range(len(self._model.lanes)):
            first = self._model.best_of(lane)
            if first is not None:
                self._pictures.want(first, soon=False)
        self._fill_strip()

    @Slot()
    def _fill_strip(self) -> None:
        if not self.isVisible():
            return
        for row in self.strip.rows_seen():
            if self.list.has_thumb(row.path):
                continue
            picture = self._pictures.get(row)
            if picture is None:
                self._pictures.want(row, soon=False)
            elif picture.thumb is not None:
                self.list.show_thumb(row.path, picture.thumb)

    def _neighbours(self, row: SubRow) -> list[SubRow]:
        """List the subs that are likely to be looked at next, likeliest first."""
        rows = self.list.rows()
        index = next((n for n, one in enumerate(rows) if one.path == row.path), 0)
        return rows[index + 1 : index + 1 + _AHEAD] + rows[max(index - 1, 0) : index]

    @Slot(object)
    def _picture_came(self, key: object) -> None:
        row = self._model.row(self._model.current)
        if row is None or not self.isVisible() or not isinstance(key, tuple):
            return
        self.pair.show_detail(key)
        if key[0] == SUB:
            self._show_pictures(row)

    @Slot()
    def _remark(self) -> None:
        """Draw over both pictures what is wanted, from now on and next time."""
        for box, name in ((self.stars, "stars"), (self.zones, "zones")):
            self._controller.choices.keep_text(name, "yes" if box.isChecked() else "no")
        self.pair.mark(stars=self.stars.isChecked(), zones=self.zones.isChecked())
