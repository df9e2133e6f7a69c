"""The pictures of subs, all of a filter with the stretch of its best one."""

from collections.abc import Hashable
from functools import partial

from PySide6.QtCore import QRect

from stackbench.job.pictures import Picture
from stackbench.window.controller import Controller
from stackbench.window.night import SubRow

Key = tuple[Hashable, ...]
SUB = "sub"


class SubPictures:
    """Names, wants and finds the pictures of subs.

    Parameters
    ----------
    controller : Controller
        Its loader makes and keeps them.
    """

    def __init__(self, controller: Controller) -> None:
        self._controller = controller
        self._model = controller.model
        self._failed: dict[Hashable, str] = {}
        controller.pictures.failed.connect(self._failed.__setitem__)

    def key(self, row: SubRow) -> Key | None:
        """Name a sub's picture.

        Parameters
        ----------
        row : SubRow
            The sub.

        Returns
        -------
        tuple or None
            None while the stretch of the filter's best sub is not known; where
            that one cannot be read, a sub has its own.
        """
        edition = self._controller.edition
        best = self._model.best_of(row.lane)
        if best is None or best.path == row.path:
            return (SUB, row.path, edition, None)
        first = (SUB, best.path, edition, None)
        if first in self._failed:
            return (SUB, row.path, edition, None)
        reference = self._controller.pictures.get(first)
        return None if reference is None else (SUB, row.path, edition, reference.scale)

    def get(self, row: SubRow) -> Picture | None:
        """Find a sub's picture.

        Parameters
        ----------
        row : SubRow
            The sub.

        Returns
        -------
        Picture or None
            None while it is not made.
        """
        key = self.key(row)
        return None if key is None else self._controller.pictures.get(key)

    def failure(self, row: SubRow) -> str:
        """Tell why a sub has no picture.

        Parameters
        ----------
        row : SubRow
            The sub.

        Returns
        -------
        str
            Empty unless it could not be made.
        """
        return self._failed.get(self.key(row), "")

    def retry(self, row: SubRow) -> None:
        """Let a sub's picture be made though it could not be.

        Parameters
        ----------
        row : SubRow
            The sub.
        """
        self._failed.pop(self.key(row), None)

    def want(self, row: SubRow, *, soon: bool) -> None:
        """Have a sub's picture made; first that of the best, which gives the stretch.

        Parameters
        ----------
        row : SubRow
            The sub.
        soon : bool
            Whether it is waited for.
        """
        session = self._controller.session
        if session is None:
            return
        key, best = self.key(row), self._model.best_of(row.lane)
        if key is None and best is not None:
            self.want(best, soon=soon)
            return
        if key is None or key in self._failed:
            return
        reference = self.get(best) if best is not None and best.path != row.path else None
        make = partial(
            session.pictures.sub,
            row.frame,
            judged=row.judged,
            scale=reference.scale if reference is not None else None,
        )
        self._controller.pictures.want(key, make, soon=soon)

    def want_detail(self, row: SubRow, part: QRect) -> Key | None:
        """Have every pixel of a part made, with the stretch of the whole.

        Parameters
        ----------
        row : SubRow
            The sub.
        part : QRect
            In its pixels.

        Returns
        -------
        tuple or None
            The part's name; None while the sub's picture is not made.
        """
        session, picture = self._controller.session, self.get(row)
        if session is None or picture is None:
            return None
        rows = (part.top(), part.top() + part.height())
        columns = (part.left(), part.left() + part.width())
        key = ("detail", row.path, self._controller.edition, rows, columns, picture.scale)
        make = partial(
            session.pictures.detail, row.frame, rows=rows, columns=columns, scale=picture.scale
        )
        self._controller.pictures.want(key, make)
        return key
