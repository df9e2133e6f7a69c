"""Limits that are tried out before they are applied."""

from functools import partial
from typing import cast

from PySide6.QtCore import QObject, Slot

from stackbench.job.judging import JudgedGroup
from stackbench.job.movedlimits import moved
from stackbench.job.session import Session
from stackbench.job.sessionstate import Change
from stackbench.review.limits import Limits
from stackbench.window.changes import Changes
from stackbench.window.night import NightModel


class Trial(QObject):
    """Shows in the model what moved limits would change; `limits` are None without any.

    A pointer moves a limit faster than three hundred subs are judged: while
    one answer is under way only the last of the later questions is kept.

    Parameters
    ----------
    model : NightModel
        Shows what would change.
    changes : Changes
        Asks the session.
    parent : QObject
        What it belongs to.
    """

    def __init__(self, model: NightModel, changes: Changes, parent: QObject) -> None:
        super().__init__(parent)
        self.limits: Limits | None = None
        self._model = model
        self._changes = changes
        self._asking = False
        changes.settled.connect(self._rest)  # also after a question that failed

    def move(self, session: Session, measure: str, value: float, typical: float | None) -> None:
        """Move one limit.

        Parameters
        ----------
        session : Session
            Judges by it.
        measure : str
            The measure.
        value : float
            Where its limit would lie within a group.
        typical : float or None
            That group's typical value.
        """
        start = self.limits or session.limits
        self.take(session, moved(start, measure=measure, value=value, typical=typical))

    def take(self, session: Session, limits: Limits) -> None:
        """Try all limits anew.

        Parameters
        ----------
        session : Session
            Judges by them.
        limits : Limits
            The limits.
        """
        self.limits = limits
        if not self._asking:
            self._asking = True
            self._changes.begin(
                partial(session.what_if, limits), partial(self._show, session, limits)
            )

    def again(self, session: Session) -> None:
        """Try the same limits on another state of the night, if any are tried.

        Parameters
        ----------
        session : Session
            Judges by them.
        """
        if self.limits is not None:
            self.take(session, self.limits)

    def drop(self) -> None:
        """Leave the limits as they are."""
        if self.limits is not None:
            self.forget()
            self._model.try_out((), ())

    def forget(self) -> None:
        """Try none any more; they are applied, or the night is decided on otherwise."""
        self.limits = None

    def leave(self) -> None:
        """Leave the session; no answer comes any more."""
        self.limits = None
        self._asking = False

    @Slot()
    def _rest(self) -> None:
        self._asking = False

    def _show(self, session: Session, asked: Limits, answer: object) -> None:
        self._asking = False
        if self.limits is None:
            return
        groups, turned = cast("tuple[tuple[JudgedGroup, ...], tuple[Change, ...]]", answer)
        self._model.try_out(groups, turned)
        if self.limits is not asked:
            self.take(session, self.limits)
