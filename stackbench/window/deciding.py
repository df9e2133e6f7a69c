"""Deciding on subs, moving limits and labelling frames, with undo and redo."""

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import QObject, Slot
from PySide6.QtGui import QUndoStack

from stackbench.frames.labels import Label
from stackbench.job.settings import Settings
from stackbench.job.store import Decision
from stackbench.review.limits import Limits
from stackbench.window.decisions import DecideCommand, LabelCommand, LimitsCommand

if TYPE_CHECKING:
    from stackbench.window.controller import Controller


class Deciding(QObject):
    """Decides and labels; what was decided is judged a moment later, beside the event loop.

    Parameters
    ----------
    controller : Controller
        Owns the session; what it refuses it says.
    """

    def __init__(self, controller: "Controller") -> None:
        super().__init__(controller)
        self._controller = controller
        self.undo_stack = QUndoStack(self)
        # what was decided and is not judged yet
        self._decided: dict[Path, Decision | None] = {}
        self._limits: Limits | None = None
        controller.changes.settled.connect(self._judged)

    def decide(self, paths: Sequence[Path], decision: Decision | None) -> None:
        """Keep or reject subs by hand, or hand them back to the rules.

        Parameters
        ----------
        paths : sequence of Path
            The subs.
        decision : Decision or None
            None hands them back.
        """
        if self._controller.session is None or not self._controller.model.state.groups:
            return
        before = {path: self._decision(path) for path in paths}
        wanted: dict[Path, Decision | None] = dict.fromkeys(paths, decision)
        if before != wanted:
            self.undo_stack.push(DecideCommand(self._decide, wanted, before))

    def limit(self, limits: Limits) -> None:
        """Judge by other limits from now on.

        Parameters
        ----------
        limits : Limits
            The limits; where they are as before, what was tried is put back.
        """
        session = self._controller.session
        if session is None:
            return
        now = self._limits or session.limits
        names = [one.name for one in fields(now)]
        moved = [name for name in names if getattr(limits, name) != getattr(now, name)]
        if moved:
            wanted, before = ({n: getattr(one, n) for n in moved} for one in (limits, now))
            self.undo_stack.push(LimitsCommand(self._limit, wanted, before))
        else:
            self._controller.trial.drop()

    def label(self, paths: Sequence[Path], label: Label | None) -> None:
        """Set the kind or the filter of frames by hand, or leave them to their headers.

        Parameters
        ----------
        paths : sequence of Path
            The frames.
        label : Label or None
            What it leaves open stays as it is; None takes all back.
        """
        session = self._controller.session
        if session is None or self._refuses_plan():
            return
        self._controller.changes.settle()
        known = session.labels()
        before = {path: known.get(path) for path in paths}
        wanted = {path: label and label.over(before[path]) for path in paths}
        if before != wanted:
            self.undo_stack.push(LabelCommand(self._label, wanted, before))

    @Slot()
    def undo(self) -> None:
        """Take the last decision back."""
        command = self.undo_stack.command(self.undo_stack.index() - 1)
        if not (isinstance(command, LabelCommand) and self._refuses_plan()):
            self.undo_stack.undo()

    @Slot()
    def redo(self) -> None:
        """Decide again what was taken back."""
        command = self.undo_stack.command(self.undo_stack.index())
        if not (isinstance(command, LabelCommand) and self._refuses_plan()):
            self.undo_stack.redo()

    def clear(self) -> None:
        """Forget what was decided; the session is left."""
        self.undo_stack.clear()
        self._judged()

    def _decision(self, path: Path) -> Decision | None:
        if path in self._decided:
            return self._decided[path]
        row = self._controller.model.row(path)
        if row is None or row.verdict is None or not row.by_hand:
            return None
        return Decision(row.verdict.decision.value)

    def _decide(self, decisions: Mapping[Path, Decision | None]) -> None:
        session = self._controller.session
        if session is not None:
            self._decided |= decisions
            self._controller.change(partial(session.decide, decisions))

    def _limit(self, moved: Mapping[str, Any]) -> None:
        session = self._controller.session
        if session is not None:
            self._limits = replace(self._limits or session.limits, **moved)
            # over the limits that hold when it is its turn: settings may be on their way
            self._controller.edit_settings(partial(_with_limits, moved=moved))

    @Slot()
    def _judged(self) -> None:
        self._decided.clear()
        self._limits = None

    def _refuses_plan(self) -> bool:
        """Say so when the plan cannot be changed because work goes on by it."""
        working = self._controller.working
        if working:
            self._controller.refused.emit("Stop the work first; then kinds and filters can be set.")
        return working

    def _label(self, labels: Mapping[Path, Label | None]) -> None:
        session = self._controller.session
        if session is not None:
            self._controller.change(partial(session.label, labels), other_plan=True)


def _with_limits(settings: Settings, moved: Mapping[str, Any]) -> Settings:
    return settings.model_copy(update={"review": replace(settings.review, **moved)})
