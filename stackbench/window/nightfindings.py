"""What happened in the night, found out beside the job; and the finding that is looked at."""

from collections.abc import Hashable, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from PySide6.QtCore import QObject, QTimer, Signal, Slot

from stackbench.frames.work import Stop
from stackbench.job.judging import JudgedGroup
from stackbench.job.progress import Progress
from stackbench.review.camera import CameraRecord
from stackbench.review.findings import Finding
from stackbench.window.errands import Errands
from stackbench.window.night import NightModel, SubRow

_ASKED_AFTER_MS = 300
_LATEST = datetime.max.replace(tzinfo=UTC)


class NightFindings(QObject):
    """Has the judged subs diagnosed, and anew whenever they or their verdicts change.

    `found` is None until the first answer; while a later one is on its way it
    is still the one before. `changed` tells of others, `failed` why there are
    none, `marked_changed` of another finding that is looked at.

    Parameters
    ----------
    model : NightModel
        The night.
    errands : Errands
        Who works beside the event loop.
    parent : QObject, optional
        What it belongs to.
    """

    changed = Signal()
    failed = Signal(str)
    marked_changed = Signal()

    def __init__(self, model: NightModel, errands: Errands, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._errands = errands
        self._key: Hashable = None
        self.found: tuple[Finding, ...] | None = None
        self.marked: Finding | None = None
        # who decides on one sub after the other waits for one diagnosis, not for each
        self._waiting = QTimer(self, singleShot=True, interval=_ASKED_AFTER_MS)
        self._waiting.timeout.connect(self._ask)
        model.changed.connect(self._look)
        model.chosen_changed.connect(self._leave)
        errands.answered.connect(self._take)
        errands.failed.connect(self._fail)

    def mark(self, finding: Finding | None) -> None:
        """Look at a finding: its subs are chosen, unless they are all of the night.

        Parameters
        ----------
        finding : Finding or None
            One of `found`; None looks at none.
        """
        if finding is self.marked:
            return
        self.marked = finding
        self._model.choose(self._choosable(finding) if finding is not None else ())
        self.marked_changed.emit()

    def rows_of(self, finding: Finding) -> tuple[SubRow, ...]:
        """List the subs that a finding concerns.

        Parameters
        ----------
        finding : Finding
            The finding.

        Returns
        -------
        tuple of SubRow
            In order of time.
        """
        concerned = set(finding.subs)
        return tuple(row for row in self._model.rows if row.path in concerned)

    def span_of(self, finding: Finding) -> tuple[datetime, datetime] | None:
        """Tell when a finding was.

        Parameters
        ----------
        finding : Finding
            The finding.

        Returns
        -------
        tuple of datetime, or None
            Begin and end; those of its subs where it does not say, or was before or after
            them all, as bias frames may be. None without any.
        """
        frames = [row.frame for row in self.rows_of(finding)]
        spans = [
            (one.time, one.time + timedelta(seconds=one.exposure_s or 0.0))
            for one in frames
            if one.time is not None
        ]
        if not spans:
            return None
        first, last = min(begin for begin, _ in spans), max(end for _, end in spans)
        start, end = finding.start or first, finding.end or last
        return (first, last) if end < first or start > last else (start, end)

    def evening_of(self, finding: Finding) -> str:
        """Tell on which evening a finding was, where the subs are of several.

        Parameters
        ----------
        finding : Finding
            The finding.

        Returns
        -------
        str
            The date on which its night began; empty where hours alone say it.
        """
        mine = {self._model.evening_of(row) for row in self.rows_of(finding)}
        return mine.pop() if len(mine) == 1 else ""

    def concerns_all(self, finding: Finding) -> bool:
        """Tell whether a finding is about all subs of its target, and so about no moment.

        Parameters
        ----------
        finding : Finding
            The finding.

        Returns
        -------
        bool
            True also for one that names no subs.
        """
        fields = {self._field(row) for row in self.rows_of(finding)}
        return set(finding.subs) >= {
            row.path for row in self._model.rows if self._field(row) in fields
        }

    def _field(self, row: SubRow) -> Hashable:
        group = self._model.lanes[row.lane].group
        return group.target, group.setup

    def _choosable(self, finding: Finding) -> Sequence[Path]:
        # one key would reject all that is chosen: never a whole night by a look at a finding
        return () if self.concerns_all(finding) else finding.subs

    @property
    def asked(self) -> bool:
        """Whether the verdicts were changed and the findings are on their way.

        Returns
        -------
        bool
            False also while there is nothing to find out.
        """
        return self._waiting.isActive() or self._errands.asked(self._key)

    @Slot()
    def _look(self) -> None:
        """Find out what the night says now, unless that is known."""
        self._waiting.stop()
        state = self._model.state
        groups = state.groups
        if not groups:
            self._key = None
            self._show(None)
            return
        self._key = (
            "findings",
            tuple((sub.frame, sub.kept, sub.measures) for one in groups for sub in one.subs),
            state.cameras,
        )
        if self._errands.known(self._key):
            self._take(self._key)
        else:
            self._waiting.start()

    @Slot()
    def _ask(self) -> None:
        state = self._model.state
        self._errands.ask(self._key, partial(_diagnosed, state.groups, state.cameras))

    @Slot(object)
    def _take(self, key: object) -> None:
        answer = self._errands.get(self._key) if key == self._key else None
        if isinstance(answer, tuple):
            self._show(tuple(sorted(answer, key=self._when)))

    @Slot(object, str)
    def _fail(self, key: object, words: str) -> None:
        if key == self._key:
            self.failed.emit(words)

    def _when(self, finding: Finding) -> tuple[bool, datetime]:
        return self.concerns_all(finding), finding.start or _LATEST

    def _show(self, found: tuple[Finding, ...] | None) -> None:
        if found == self.found:
            return
        self.found = found
        marked = self.marked
        if marked is not None and marked not in (found or ()):
            same = (one for one in found or () if _same(one, marked))
            self.marked = next(same, None)  # told anew; what is chosen stays
            self.marked_changed.emit()
        self.changed.emit()

    @Slot()
    def _leave(self) -> None:
        """Look at no finding any more when other subs are chosen."""
        if self.marked is not None and self._model.chosen != set(self._choosable(self.marked)):
            self.marked = None
            self.marked_changed.emit()


def _diagnosed(
    groups: Sequence[JudgedGroup],
    cameras: Sequence[CameraRecord],
    progress: Progress,  # noqa: ARG001 - a short question
    stop: Stop,  # noqa: ARG001
) -> tuple[Finding, ...]:
    from stackbench.job.diagnosing import findings_of, target_nights

    return findings_of(target_nights(groups), cameras)


def _same(one: Finding, other: Finding) -> bool:
    """Tell whether two diagnoses mean the same thing, be its figures a little different."""
    return (one.cause, one.start, one.subs) == (other.cause, other.start, other.subs)
