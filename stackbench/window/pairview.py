"""A sub beside the best of its filter: one stretch, one place of the sky, one enlargement."""

from collections.abc import Hashable
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRect
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from stackbench.window.controller import Controller
from stackbench.window.fieldview import FieldView
from stackbench.window.night import SubRow
from stackbench.window.parts import ElidedLabel
from stackbench.window.subpictures import SubPictures
from stackbench.window.subwords import sub_line


class PairView(QWidget):
    """Shows the pictures of two subs that are there, and every pixel where it is enlarged.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    pictures : SubPictures
        Finds the pictures; who is shown beside whom wants them.
    """

    def __init__(self, controller: Controller, pictures: SubPictures) -> None:
        super().__init__()
        self._model = controller.model
        self._loader = controller.pictures
        self._pictures = pictures
        self._shown: Path | None = None
        self._shown_keys: tuple[Hashable, Hashable] = (None, None)
        self._details: dict[FieldView, tuple[Hashable, QRect]] = {}
        self._with_stars = self._with_zones = False
        self.sub_view = FieldView("The sub")
        self.best_view = FieldView("The best sub of the same filter")
        self.best_view.follow(self.sub_view)
        self.sub_title = ElidedLabel("heading")
        self.best_title = ElidedLabel("muted")
        halves = QHBoxLayout(self)
        halves.setContentsMargins(0, 0, 0, 0)
        halves.setSpacing(8)
        for title, view in ((self.sub_title, self.sub_view), (self.best_title, self.best_view)):
            half = QVBoxLayout()
            half.setSpacing(4)
            half.addWidget(title)
            half.addWidget(view, 1)
            halves.addLayout(half, 1)
            view.detail_wanted.connect(partial(self._want_detail, view))

    @property
    def shown(self) -> Path | None:
        """The sub whose picture is shown.

        Returns
        -------
        Path or None
            While another is being fetched it is the one before.
        """
        return self._shown

    def show_words(self, words: str) -> None:
        """Show no sub.

        Parameters
        ----------
        words : str
            In its place.
        """
        self.sub_title.setText("")
        self.best_title.setText("")
        self.sub_view.show_words(words)
        self.best_view.show_words("")
        self._shown = None
        self._shown_keys = (None, None)

    def show_row(self, row: SubRow) -> None:
        """Show a sub beside the best of its filter, each as soon as its picture is there.

        Parameters
        ----------
        row : SubRow
            The sub.
        """
        best = self._model.best_of(row.lane)
        self._show_titles(row, best)
        own = (self._pictures.key(row), row.path)
        picture = self._pictures.get(row)
        if picture is not None and (self._shown_keys[0] != own or self.sub_view.words):
            self.sub_view.show_picture(picture, _matrix(row), home=self._shown is None)
            self._shown = row.path
            self._shown_keys = own, self._shown_keys[1]
            self._details.pop(self.sub_view, None)
            self._show_marks(self.sub_view, row)
        elif picture is None and (words := self._instead(row, self._shown)):
            self.sub_view.show_words(words)
            self._shown = row.path
        if best is None:
            self.best_view.show_words("The best sub of a filter is known after measuring.")
            self._shown_keys = self._shown_keys[0], None
            return
        other = (self._pictures.key(best), best.path)
        best_picture = self._pictures.get(best)
        if best_picture is not None and (self._shown_keys[1] != other or self.best_view.words):
            self.best_view.show_picture(best_picture, _matrix(best))
            self._shown_keys = self._shown_keys[0], other
            self._details.pop(self.best_view, None)
            self._show_marks(self.best_view, best)
        elif best_picture is None:
            before = self._shown_keys[1]
            words = self._instead(best, before[1] if isinstance(before, tuple) else None)
            if words:
                self.best_view.show_words(words)

    def show_detail(self, key: Hashable) -> None:
        """Show every pixel of a part that was asked for, if that is what came.

        Parameters
        ----------
        key : hashable
            The picture that came.
        """
        for view, (wanted, part) in self._details.items():
            picture = self._loader.get(wanted) if wanted == key else None
            if picture is not None:
                view.show_detail(picture, part)

    def mark(self, *, stars: bool, zones: bool) -> None:
        """Draw over both pictures, from now on, what was measured.

        Parameters
        ----------
        stars : bool
            The shapes of the stars.
        zones : bool
            The map of the field.
        """
        self._with_stars, self._with_zones = stars, zones
        row = self._model.row(self._model.current)
        if row is not None:
            self._show_marks(self.sub_view, row)
            self._show_marks(self.best_view, self._model.best_of(row.lane))

    def _instead(self, row: SubRow, before: Path | None) -> str:
        """Tell what to write where a picture is not there; nothing to leave the one before."""
        failure = self._pictures.failure(row)
        shown = self._model.row(before)
        foreign = shown is None or shown.lane != row.lane
        return failure or ("The picture is being made." if foreign else "")

    def _show_titles(self, row: SubRow, best: SubRow | None) -> None:
        self.sub_title.setText(sub_line(row, self._model))
        name = self._model.lanes[row.lane].filter_name
        if best is None:
            self.best_title.setText("")
        elif best.path == row.path:
            self.best_title.setText(f"It is itself the best of {name}")
        else:
            self.best_title.setText(f"Best of {name}: {best.path.name}")

    def _want_detail(self, view: FieldView, part: QRect) -> None:
        row = self._model.row(self._model.current)
        best = self._model.best_of(row.lane) if row is not None else None
        one = row if view is self.sub_view else best
        key = self._pictures.want_detail(one, part) if one is not None else None
        if key is not None:
            self._details[view] = (key, part)
            self.show_detail(key)

    def _show_marks(self, view: FieldView, row: SubRow | None) -> None:
        sub = row.judged.sub if row is not None and row.judged is not None else None
        view.show_stars(sub.measures.stars if sub is not None and self._with_stars else None)
        picture = self._pictures.get(row) if row is not None else None
        view.show_zones(picture.zones if picture is not None and self._with_zones else None)


def _matrix(row: SubRow) -> NDArray[np.float64] | None:
    """Give the way onto the grid, so that both views show the same part of the sky."""
    placement = row.judged.placement if row.judged is not None else None
    return placement.matrix if placement is not None else None
