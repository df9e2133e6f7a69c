"""One sub beside the best of its filter, with the reasons for its verdict."""

from collections.abc import Hashable
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QModelIndex, QRect, Qt, Signal, Slot
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QHBoxLayout,
    QListView,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from stackbench.job.store import Decision
from stackbench.window.controller import Controller
from stackbench.window.fieldview import FieldView
from stackbench.window.night import SubRow
from stackbench.window.parts import ElidedLabel, button
from stackbench.window.reasons import ReasonsView
from stackbench.window.sublist import SubList, orders
from stackbench.window.subwords import sub_line

_AHEAD = 3


class ReviewPage(QWidget):
    """Shows the current sub; asks to decide and to look at another, sets neither."""

    wanted = Signal(object)
    decided = Signal(object)  # Decision or None

    def __init__(self, controller: Controller, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = controller.model
        self._controller = controller
        self._shown: Path | None = None
        self._shown_pair: tuple[Hashable, Hashable] | None = None
        self._details: dict[FieldView, tuple[Hashable, QRect]] = {}
        self.setAccessibleName("Review")
        self.sub_view = FieldView("The sub")
        self.best_view = FieldView("The best sub of the same filter")
        self.best_view.follow(self.sub_view)
        self._sub_title = ElidedLabel("heading")
        self._best_title = ElidedLabel("muted")
        self.reasons = ReasonsView(self._model)
        self.list = SubList(self._model, self)
        self.strip = QListView()
        self.strip.setModel(self.list)
        self.strip.setAccessibleName("Subs")
        self.strip.setUniformItemSizes(True)
        self.strip.setMinimumWidth(190)
        self.order = QComboBox()
        self.order.setAccessibleName("Order of the subs")
        for name, words in orders():
            self.order.addItem(words, name)
        self.stars = QCheckBox("Star shapes")
        self.stars.setToolTip("Draw the measured shapes of the stars, three times as large (S)")
        self._lay_out()
        self._connect()
        self.refresh()

    def _lay_out(self) -> None:
        left = QWidget()
        column = QVBoxLayout(left)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.order)
        column.addWidget(self.strip, 1)
        images = QHBoxLayout()
        images.setSpacing(8)
        for title, view in (
            (self._sub_title, self.sub_view),
            (self._best_title, self.best_view),
        ):
            half = QVBoxLayout()
            half.setSpacing(4)
            half.addWidget(title)
            half.addWidget(view, 1)
            images.addLayout(half, 1)
        self.previous = button("Previous", "The sub before in this order (B)")
        self.next = button("Next", "The next sub in this order (N)")
        self.keep = button("Keep", "Keep it whatever the rules say (K)")
        self.reject = button("Reject", "Reject it whatever the rules say (R)")
        self.back = button("Hand back", "Leave it to the rules (H)")
        row = QHBoxLayout()
        row.setSpacing(8)
        for one in (self.previous, self.next):
            row.addWidget(one)
        row.addSpacing(16)
        for one in (self.keep, self.reject, self.back):
            row.addWidget(one)
        row.addStretch()
        row.addWidget(self.stars)
        right = QWidget()
        body = QVBoxLayout(right)
        body.setContentsMargins(0, 0, 0, 0)
        body.setSpacing(8)
        body.addLayout(images, 1)
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
        self._controller.pictures.failed.connect(self._picture_failed)
        self.order.currentIndexChanged.connect(
            lambda index: self._sort_by(str(self.order.itemData(index)))
        )
        self.strip.selectionModel().currentChanged.connect(self._picked)
        self.previous.clicked.connect(lambda: self.step(-1))
        self.next.clicked.connect(lambda: self.step(1))
        self.keep.clicked.connect(lambda: self.decided.emit(Decision.KEEP))
        self.reject.clicked.connect(lambda: self.decided.emit(Decision.REJECT))
        self.back.clicked.connect(lambda: self.decided.emit(None))
        self.stars.toggled.connect(self._show_stars)
        self.sub_view.detail_wanted.connect(partial(self._want_detail, self.sub_view))
        self.best_view.detail_wanted.connect(partial(self._want_detail, self.best_view))

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
        """Show the current sub."""
        row = self._model.row(self._model.current)
        for one in (self.keep, self.reject, self.back):
            one.setEnabled(row is not None and row.verdict is not None)
        self.reasons.show_row(row)
        if row is None:
            self._sub_title.setText("")
            self._best_title.setText("")
            words = "Choose a sub in the list or in the ribbon." if self._model.rows else ""
            self.sub_view.show_words(words)
            self.best_view.show_words("")
            self._shown = self._shown_pair = None
            return
        self._follow(row)
        self._sub_title.setText(sub_line(row, self._model))
        best = self._model.best_of(row.lane)
        name = self._model.lanes[row.lane].filter_name
        if best is None:
            self._best_title.setText("")
        elif best.path == row.path:
            self._best_title.setText(f"It is itself the best of {name}")
        else:
            self._best_title.setText(f"Best of {name}: {best.path.name}")
        if self.isVisible():
            self._show_pictures(row, best)

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

    def _key(self, row: SubRow, best: SubRow | None) -> Hashable | None:
        """Name a sub's picture; None while the best one's stretch is not known."""
        calibrated = self._model.state.shelf is not None
        if best is None or best.path == row.path:
            return ("sub", row.path, calibrated, None)
        reference = self._controller.pictures.get(("sub", best.path, calibrated, None))
        return None if reference is None else ("sub", row.path, calibrated, reference.scale)

    def _show_pictures(self, row: SubRow, best: SubRow | None) -> None:
        session, pictures = self._controller.session, self._controller.pictures
        if session is None:
            return
        desk = session.pictures
        if self._shown != row.path:
            pictures.drop_wishes()
        ahead = self._neighbours(row)
        for other in ahead:
            self._want(other, self._model.best_of(other.lane), soon=False)
        best_key = self._key(best, None) if best is not None else None
        if best is not None and best_key is not None:
            frame = best.frame
            pictures.want(best_key, lambda: desk.sub(frame))
        key = self._key(row, best)
        if key is not None:
            self._want(row, best, soon=True)
        pair = (key, best_key)
        picture = pictures.get(key) if key is not None else None
        best_picture = pictures.get(best_key) if best_key is not None else None
        new = self._shown_pair != pair or self._shown != row.path
        if picture is not None and (new or self.sub_view.words):
            self.sub_view.show_picture(picture, _matrix(row), home=self._shown is None)
            self._shown, self._shown_pair = row.path, pair
            self._details.clear()
            if best_picture is not None and best is not None:
                self.best_view.show_picture(best_picture, _matrix(best))
            self._show_stars(self.stars.isChecked())
        if best is None:
            self.best_view.show_words("The best sub of a filter is known after measuring.")

    def _want(self, row: SubRow, best: SubRow | None, *, soon: bool) -> None:
        key, session = self._key(row, best), self._controller.session
        if key is None or session is None:
            return
        desk, frame = session.pictures, row.frame
        scale = None
        if best is not None and best.path != row.path:
            calibrated = self._model.state.shelf is not None
            reference = self._controller.pictures.get(("sub", best.path, calibrated, None))
            scale = reference.scale if reference is not None else None
        self._controller.pictures.want(key, lambda: desk.sub(frame, scale=scale), soon=soon)

    def _neighbours(self, row: SubRow) -> list[SubRow]:
        paths = self.list.paths()
        index = paths.index(row.path) if row.path in paths else 0
        near = paths[index + 1 : index + 1 + _AHEAD] + paths[max(index - 1, 0) : index]
        return [one for path in reversed(near) if (one := self._model.row(path)) is not None]

    @Slot(object)
    def _picture_came(self, key: object) -> None:
        row = self._model.row(self._model.current)
        if row is None or not self.isVisible() or not isinstance(key, tuple):
            return
        self._show_detail(key)
        if key[0] != "sub":
            return
        best = self._model.best_of(row.lane)
        if key[1] == row.path or (best is not None and key[1] == best.path):
            self._show_pictures(row, best)

    def _want_detail(self, view: FieldView, part: QRect) -> None:
        session, pictures = self._controller.session, self._controller.pictures
        row = self._model.row(self._model.current)
        best = self._model.best_of(row.lane) if row is not None else None
        one = row if view is self.sub_view else best
        if session is None or one is None or self._shown_pair is None:
            return
        picture = pictures.get(self._shown_pair[0 if view is self.sub_view else 1])
        if picture is None:
            return
        rows = (part.top(), part.top() + part.height())
        columns = (part.left(), part.left() + part.width())
        key = ("detail", one.path, rows, columns, picture.scale)
        self._details[view] = (key, part)
        desk, frame, scale = session.pictures, one.frame, picture.scale
        pictures.want(key, lambda: desk.detail(frame, rows=rows, columns=columns, scale=scale))
        self._show_detail(key)

    def _show_detail(self, key: Hashable) -> None:
        for view, (wanted, part) in self._details.items():
            picture = self._controller.pictures.get(wanted) if wanted == key else None
            if picture is not None:
                view.show_detail(picture, part)

    @Slot(object, str)
    def _picture_failed(self, key: object, words: str) -> None:
        if isinstance(key, tuple) and key[0] == "sub" and key[1] == self._model.current:
            self.sub_view.show_words(words)
            self._shown = self._model.current

    @Slot(bool)
    def _show_stars(self, wanted: bool) -> None:  # noqa: FBT001 - Qt's signal
        row = self._model.row(self._model.current)
        best = self._model.best_of(row.lane) if row is not None else None
        for view, one in ((self.sub_view, row), (self.best_view, best)):
            sub = one.judged.sub if one is not None and one.judged is not None else None
            view.show_stars(sub.measures.stars if wanted and sub is not None else None)


def _matrix(row: SubRow) -> NDArray[np.float64] | None:
    """Give the way onto the grid, so that both views show the same part of the sky."""
    placement = row.judged.placement if row.judged is not None else None
    return placement.matrix if placement is not None else None
