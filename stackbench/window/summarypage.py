"""The night in short: what each filter came to, what was rejected, what to look at."""

from collections.abc import Sequence
from itertools import islice
from pathlib import Path

from PySide6.QtCore import Signal, Slot
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QVBoxLayout, QWidget

from stackbench.frames.records import Problem
from stackbench.frames.words import counted, duration
from stackbench.job.sessionstate import SessionState
from stackbench.job.stacking import FinishedStack
from stackbench.review.findings import Finding
from stackbench.window.night import NightModel
from stackbench.window.nightfindings import NightFindings
from stackbench.window.parts import button, card, emptied, label, scrolled
from stackbench.window.places import short
from stackbench.window.problemwords import alike, files_words, standing
from stackbench.window.subwords import state_words

_MOST_PROBLEMS = 4
_MOST_REJECTED = 12


class SummaryPage(QWidget):
    """Shows the state; asks to look at a sub or a finding, to open the folder or the report.

    Parameters
    ----------
    model : NightModel
        The night.
    findings : NightFindings
        What was found in the night.
    """

    wanted = Signal(object)
    finding_asked = Signal(object)
    folder_asked = Signal()
    report_asked = Signal()

    def __init__(self, model: NightModel, findings: NightFindings) -> None:
        super().__init__()
        self._model = model
        self._findings = findings
        self.setAccessibleName("Night")
        content = QWidget()
        self._content = QVBoxLayout(content)
        self._content.setContentsMargins(20, 16, 20, 16)
        self._content.setSpacing(12)
        outer = QVBoxLayout(self)
        outer.setContentsMargins(0, 0, 0, 0)
        outer.addWidget(scrolled(content))
        model.changed.connect(self.refresh)
        findings.changed.connect(self.refresh)

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 - Qt's name
        """Show the state as it is by now."""
        super().showEvent(event)
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """Show the state, if it can be seen."""
        if not self.isVisible():
            return  # to lay out a page that nobody looks at would hold up the others
        layout = emptied(self._content)
        state = self._model.state
        layout.addWidget(self._head(state))
        if self._model.lanes:
            layout.addWidget(self._table(state))
        if self._findings.found:
            layout.addWidget(self._happened(self._findings.found))
        rejected = [row for row in self._model.rows if row.rejected]
        if rejected:
            layout.addWidget(self._rejected())
        problems = standing(state)
        if problems:
            layout.addWidget(_to_look_at(problems))
        layout.addStretch()

    def _head(self, state: SessionState) -> QWidget:
        head = QWidget()
        layout = QHBoxLayout(head)
        layout.setContentsMargins(0, 0, 0, 0)
        words = QVBoxLayout()
        targets = dict.fromkeys(lane.group.target for lane in self._model.lanes)
        none = "No light frames yet" if state.night is None else "No light frames"
        words.addWidget(label(", ".join(targets) or none, "title"))
        words.addWidget(label(_folders(state.folders), "muted"))
        layout.addLayout(words, 1)
        if state.night is not None:
            report = button("Open the report", "Show the report in the browser")
            report.clicked.connect(self.report_asked)
            folder = button("Open the folder", "Show the output folder (Ctrl+Shift+O)", main=True)
            folder.clicked.connect(self.folder_asked)
            layout.addWidget(report)
            layout.addWidget(folder)
        return head

    def _table(self, state: SessionState) -> QWidget:
        frame, inside = card()
        grid = QGridLayout()
        grid.setHorizontalSpacing(28)
        grid.setVerticalSpacing(6)
        heads = ("Filter", "Kept", "Exposure", "Noise", "FWHM", "Stack")
        for column, words in enumerate(heads):
            grid.addWidget(label(words, "muted", wrap=False), 0, column)
        for number, lane in enumerate(self._model.lanes):
            rows = [row for row in self._model.rows if row.lane == number]
            kept = [row for row in rows if row.judged is not None and row.judged.kept]
            stack = next((one for one in state.stacks if one.recipe.group == lane.group), None)
            name = lane.filter_name
            if self._model.several_targets():
                name = f"{lane.group.target} {name}"
            done = lane.judged is not None
            judged = f"{len(kept)} of {len(rows)}" if done else f"{len(rows)}, not judged yet"
            total = sum(row.frame.exposure_s or 0.0 for row in (kept if done else rows))
            cells = (name, judged, duration(total), *_numbers(stack, was=number in state.stale))
            for column, words in enumerate((*cells, _stack_words(number, stack, state))):
                grid.addWidget(label(words, wrap=False), number + 1, column)
        grid.setColumnStretch(len(heads) - 1, 1)
        inside.addLayout(grid)
        return frame

    def _happened(self, found: Sequence[Finding]) -> QWidget:
        frame, inside = card()
        inside.addWidget(label("What happened", "heading"))
        for one in found:
            line = QHBoxLayout()
            look = button("Look", f"Look at the finding: {one.title}")
            look.clicked.connect(lambda _=False, one=one: self.finding_asked.emit(one))
            line.addWidget(label(f"{one.title} ({one.confidence.value})"), 1)
            line.addWidget(look)
            inside.addLayout(line)
        return frame

    def _rejected(self) -> QWidget:
        frame, inside = card()
        rows = [row for row in self._model.rows if row.rejected]
        inside.addWidget(label(f"{counted(len(rows), 'sub')} rejected", "heading"))
        for row in rows[:_MOST_REJECTED]:
            line = QHBoxLayout()
            why = "; ".join(reason.text for reason in row.verdict.reasons) if row.verdict else ""
            evening = self._model.evening_of(row)
            name = f"{evening}, {row.path.name}" if evening else row.path.name
            look = button("Look", f"Look at {name}")
            look.clicked.connect(lambda _=False, path=row.path: self.wanted.emit(path))
            text = label(f"{name}: {why if why and not row.by_hand else state_words(row)}")
            line.addWidget(text, 1)
            line.addWidget(look)
            inside.addLayout(line)
        if len(rows) > _MOST_REJECTED:
            inside.addWidget(label(f"and {len(rows) - _MOST_REJECTED} more, in Review", "muted"))
        return frame


def _to_look_at(problems: Sequence[Problem]) -> QWidget:
    """Tell the first problems, and where the others are told."""
    frame, inside = card()
    together = alike(problems)
    inside.addWidget(label(f"{counted(len(together), 'thing')} to look at", "heading"))
    for problem, paths in islice(together.items(), _MOST_PROBLEMS):
        what = f"{problem.what[0].upper()}{problem.what[1:]}"
        inside.addWidget(label(f"{files_words(paths)}: {what}" if paths else what))
    more = len(together) - _MOST_PROBLEMS
    words = "The Frames page tells causes and remedies."
    if more > 0:
        words = f"and {more} more on the Frames page, with causes and remedies"
    inside.addWidget(label(words, "muted"))
    return frame


def _folders(folders: tuple[Path, ...]) -> str:
    return "   ".join(short(folder) for folder in folders)


def _numbers(stack: FinishedStack | None, *, was: bool) -> tuple[str, str]:
    """Write a stack's noise and FWHM, as past where the counts beside them are newer."""
    if stack is None:
        return "–", "–"
    noise, fwhm = stack.facts.noise_adu, stack.facts.fwhm_px
    past = "was " if was else ""
    return (
        "–" if noise is None else f"{past}{noise:.2f} ADU",
        "–" if fwhm is None else f"{past}{fwhm:.2f} px",
    )


def _stack_words(lane: int, stack: FinishedStack | None, state: SessionState) -> str:
    stale = lane in state.stale
    if stack is None:
        return "to come" if stale or state.night is None else "not stacked"
    return "out of date" if stale else "up to date"
