"""What stacks and channels have in common: a list at the left, a picture at the right."""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

from PySide6.QtCore import QStringListModel, Qt, Signal, Slot
from PySide6.QtWidgets import QHBoxLayout, QListView, QSplitter, QVBoxLayout, QWidget

from stackbench.job.pictures import Picture
from stackbench.window.controller import Controller
from stackbench.window.fieldview import FieldView
from stackbench.window.parts import label


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A picture to be shown: what it is known under, and what makes it."""

    key: Hashable
    make: Callable[[], Picture]


class ProductView(QWidget):
    """A list of products, and the picture of the one that is chosen.

    `picked` comes with the number of the chosen product.
    """

    picked = Signal(int)

    def __init__(
        self, controller: Controller, name: str, empty: str, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self._pictures = controller.pictures
        self._wanted: Hashable | None = None
        self._empty = empty
        self._items = QStringListModel(self)
        self.list = QListView()
        self.list.setAccessibleName(name)
        self.list.setModel(self._items)
        self.list.setEditTriggers(QListView.EditTrigger.NoEditTriggers)
        self.list.setMinimumWidth(190)
        self.view = FieldView("Picture")
        self.bar = QHBoxLayout()
        self.bar.setSpacing(8)
        self.words = label("", "muted")
        right = QWidget()
        body = QVBoxLayout(right)
        body.setContentsMargins(0, 0, 0, 0)
        body.setSpacing(8)
        body.addLayout(self.bar)
        body.addWidget(self.view, 1)
        body.addWidget(self.words)
        self.below = QVBoxLayout()
        body.addLayout(self.below)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(self.list)
        split.addWidget(right)
        split.setStretchFactor(1, 1)
        split.setChildrenCollapsible(False)
        split.setHandleWidth(12)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(14, 10, 14, 8)
        outer.addWidget(split)
        self.list.selectionModel().currentChanged.connect(
            lambda index, _before: self.picked.emit(index.row())
        )
        self._pictures.ready.connect(self._came)
        self._pictures.failed.connect(self._failed)
        self.view.show_words(empty)

    @property
    def number(self) -> int:
        """Which product is chosen.

        Returns
        -------
        int
            -1 for none.
        """
        return self.list.currentIndex().row()

    def show_items(self, items: Sequence[str]) -> None:
        """List products; the one chosen before stays chosen.

        Parameters
        ----------
        items : sequence of str
            What each is called.
        """
        number = max(self.number, 0)
        if list(items) != self._items.stringList():
            self._items.setStringList(list(items))
        if items:
            self.pick(min(number, len(items) - 1))
        else:
            self._wanted = None
            self.view.show_words(self._empty)

    def pick(self, number: int) -> None:
        """Choose a product.

        Parameters
        ----------
        number : int
            Which, from 0.
        """
        if 0 <= number < self._items.rowCount():
            self.list.setCurrentIndex(self._items.index(number))

    def show_picture(self, shown: Shown) -> None:
        """Show a picture as soon as it is there; the one before stays till then.

        Parameters
        ----------
        shown : Shown
            The picture.
        """
        self._wanted = shown.key
        picture = self._pictures.get(shown.key)
        if picture is not None:
            self.view.show_picture(picture)
        else:
            self._pictures.want(shown.key, shown.make)

    def release(self) -> None:
        """Show no single picture that is still to come."""
        self._wanted = None

    @Slot(object)
    def _came(self, key: object) -> None:
        if key == self._wanted and (picture := self._pictures.get(self._wanted)) is not None:
            self.view.show_picture(picture)

    @Slot(object, str)
    def _failed(self, key: object, words: str) -> None:
        if key == self._wanted:
            self.view.show_words(words)
