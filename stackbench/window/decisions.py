"""Decisions, moved limits, and kinds and filters set by hand, that can be undone."""

from collections.abc import Callable, Mapping
from pathlib import Path

from PySide6.QtGui import QUndoCommand

from stackbench.frames.labels import Label
from stackbench.frames.words import counted
from stackbench.job.store import Decision

SetLabels = Callable[[Mapping[Path, Label | None]], None]
SetLimits = Callable[[Mapping[str, object]], None]
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


class LabelCommand(QUndoCommand):
    """Labels frames; undoing gives them back what they were before.

    Parameters
    ----------
    set_labels : callable
        What labels.
    wanted, before : mapping of Path to Label or None
        What is to be set, and how it was.
    """

    def __init__(
        self,
        set_labels: SetLabels,
        wanted: Mapping[Path, Label | None],
        before: Mapping[Path, Label | None],
    ) -> None:
        what = "set" if any(wanted.values()) else "take back"
        super().__init__(f"{what} kind or filter of {counted(len(wanted), 'frame')}")
        self._set_labels = set_labels
        self._wanted = dict(wanted)
        self._before = dict(before)

    def redo(self) -> None:
        """Set."""
        self._set_labels(self._wanted)

    def undo(self) -> None:
        """Take back."""
        self._set_labels(self._before)


class LimitsCommand(QUndoCommand):
    """Judges by other limits; undoing leaves alone what else was set since.

    Parameters
    ----------
    set_limits : callable
        What sets some fields of the limits.
    wanted, before : mapping of str to object
        The fields that are to be set, and how they were.
    """

    def __init__(
        self, set_limits: SetLimits, wanted: Mapping[str, object], before: Mapping[str, object]
    ) -> None:
        super().__init__(f"move {counted(len(wanted), 'limit')}")
        self._set_limits = set_limits
        self._wanted = dict(wanted)
        self._before = dict(before)

    def redo(self) -> None:
        """Judge by them."""
        self._set_limits(self._wanted)

    def undo(self) -> None:
        """Judge by those before."""
        self._set_limits(self._before)


def _title(wanted: Mapping[Path, Decision | None]) -> str:
    decision = next(iter(wanted.values()))
    what = {Decision.KEEP: "keep", Decision.REJECT: "reject", None: "hand back"}[decision]
    return f"{what} {counted(len(wanted), 'sub')}"
