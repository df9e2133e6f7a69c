"""Decisions that can be undone."""

from collections.abc import Callable, Mapping
from pathlib import Path

from PySide6.QtGui import QUndoCommand

from stackbench.frames.words import counted
from stackbench.job.store import Decision

Decide = Callable[[Mapping[Path, Decision | None]], None]


class DecideCommand(QUndoCommand):
    """Decides on subs; undoing gives them back what was decided before.

    Parameters
    ----------
    decide : callable
        What decides.
    wanted, before : mapping of Path to Decision or None
        What is to be decided, and how it was.
    """

    def __init__(
        self,
        decide: Decide,
        wanted: Mapping[Path, Decision | None],
        before: Mapping[Path, Decision | None],
    ) -> None:
        super().__init__(_title(wanted))
        self._decide = decide
        self._wanted = dict(wanted)
        self._before = dict(before)

    def redo(self) -> None:
        """Decide."""
        self._decide(self._wanted)

    def undo(self) -> None:
        """Take the decision back."""
        self._decide(self._before)


def _title(wanted: Mapping[Path, Decision | None]) -> str:
    decision = next(iter(wanted.values()))
    what = {Decision.KEEP: "keep", Decision.REJECT: "reject", None: "hand back"}[decision]
    return f"{what} {counted(len(wanted), 'sub')}"
