"""What stacks and channels have in common: a list at the left, a picture at the right."""

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from PySide6.QtCore import QRect, QStringListModel, Qt, Signal, Slot
from PySide6.QtWidgets import QHBoxLayout, QListView, QSplitter, QVBoxLayout, QWidget

from stackbench.job.pictures import Picture, product_detail, product_picture
from stackbench.window.controller import Controller
from stackbench.window.fieldview import FieldView
from stackbench.window.parts import label

if TYPE_CHECKING:
    from stackbench.export.levels import Scale

_LINES = 2  # of words below a picture


class MakeDetail(Protocol):
    """Pictures a part of what is shown, every pixel of it."""

    def __call__(
        self, *, rows: tuple[int, int], columns: tuple[int, int], scale: "Scale"
    ) -> Picture:
        """Make the picture of these rows and columns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A picture to be shown: what it is known under, and what makes it and its parts."""

    key: Hashable
    make: Callable[[], Picture]
    detail: MakeDetail


def shown_product(
    path: Path, *, version: Hashable, extension: str = "", scale: "Scale | None" = None
) -> Shown:
    """Tell how to show a layer of a product.

    Parameters
    ----------
    path : Path
        The product.
    version : hashable
        Another one when the file is another.
    extension : str
        The layer: empty for the image itself, else the extension's name.
    scale : Scale, optional
        What to make black and white; chosen by the picture if None.

    Returns
    -------
    Shown
        The picture and its parts.
    """
    return Shown(
        key=("product", path, version, extension),
        make=partial(product_picture, path, extension=extension, scale=scale),
        detail=partial(product_detail, path, extension=extension),
    )


class ProductView(QWidget):
    """A list of products, and the picture of the one that is chosen.

    `picked` comes with the number of the chosen product.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    name : str
        What a screen reader calls it.
    before, none : str
        What is said while there is nothing: until a job has ended, and then.
    """

    picked = Signal(int)

    def __init__(self, controller: Controller, name: str, before: str, none: str) -> None:
        super().__init__()
        self._controller = controller
        self._pictures = controller.pictures
        self._wanted: tuple[Shown, ...] = ()
        self._details: tuple[Hashable, ...] = ()
        self._part = QRect()
        self._words_before, self._words_none = before, none
        self._items = QStringListModel(self)
        self.list = QListView()
        self.list.setAccessibleName(name)
        self.list.setToolTip(f"{name} (↑ ↓)")
        self.list.setModel(self._items)
        self.list.setEditTriggers(QListView.EditTrigger.NoEditTriggers)
        self.list.setMinimumWidth(190)
        self.view = FieldView("Picture")
        self.bar = QHBoxLayout()
        self.bar.setSpacing(8)
        self.words = label("", "muted")
        # the picture must not move when another one has more to be said
        self.words.setMinimumHeight(_LINES * self.words.fontMetrics().lineSpacing())
        self.words.setAlignment(Qt.AlignmentFlag.AlignTop | Qt.AlignmentFlag.AlignLeft)
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
        left = QWidget()
        self.left = QVBoxLayout(left)
        self.left.setContentsMargins(0, 0, 0, 0)
        self.left.setSpacing(8)
        self.left.addWidget(self.list, 3)
        split.addWidget(left)
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
        controller.working_changed.connect(self._say_why_empty)
        self._pictures.ready.connect(self._came)
        self._pictures.failed.connect(self._failed)
        self.view.detail_wanted.connect(self._want_details)
        self.view.show_words(before)

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
            self._say_why_empty()

    @Slot()
    def _say_why_empty(self) -> None:
        if not self._items.stringList():
            ended = self._controller.model.state.night is not None and not self._controller.working
            self.show_words(self._words_none if ended else self._words_before)

    def pick(self, number: int) -> None:
        """Choose a product.

        Parameters
        ----------
        number : int
            Which, from 0.
        """
        if 0 <= number < self._items.rowCount():
            self.list.setCurrentIndex(self._items.index(number))

    def show_picture(self, *shown: Shown) -> None:
        """Show a picture as soon as it is there; the one before stays till then.

        Parameters
        ----------
        *shown : Shown
            One picture, or three of equal size as red, green and blue.
        """
        self._wanted, self._details = shown, ()
        for one in shown:
            self._pictures.want(one.key, one.make)
        self._show_if_there()

    def show_words(self, words: str) -> None:
        """Write words in place of a picture.

        Parameters
        ----------
        words : str
            Why there is none.
        """
        self._wanted, self._details = (), ()
        self.view.show_words(words)

    def _show_if_there(self) -> None:
        match self._made([one.key for one in self._wanted]):
            case [grey]:
                self.view.show_picture(grey)
            case [red, green, blue]:
                self.view.show_colours(red, green, blue)

    @Slot(QRect)
    def _want_details(self, part: QRect) -> None:
        rows = (part.top(), part.top() + part.height())
        columns = (part.left(), part.left() + part.width())
        pictures = self._made([one.key for one in self._wanted])
        details = []
        for one, picture in zip(self._wanted, pictures, strict=False):
            key = (one.key, rows, columns)
            make = partial(one.detail, rows=rows, columns=columns, scale=picture.scale)
            self._pictures.want(key, make)
            details.append(key)
        self._details, self._part = tuple(details), part
        self._show_details()

    def _show_details(self) -> None:
        match self._made(self._details):
            case [grey]:
                self.view.show_detail(grey, self._part)
            case [red, green, blue]:
                self.view.show_colour_detail(red, green, blue, self._part)

    def _made(self, keys: Sequence[Hashable]) -> list[Picture]:
        """Give the pictures if all are there, else none."""
        pictures = [self._pictures.get(key) for key in keys]
        made = [picture for picture in pictures if picture is not None]
        return made if len(made) == len(keys) else []

    @Slot(object)
    def _came(self, key: object) -> None:
        if key in [one.key for one in self._wanted]:
            self._show_if_there()
        elif key in self._details:
            self._show_details()

    @Slot(object, str)
    def _failed(self, key: object, words: str) -> None:
        if key in [one.key for one in self._wanted]:
            self.view.show_words(words)
