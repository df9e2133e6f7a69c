"""What happened in the night, on what evidence, and what to do."""

from PySide6.QtCore import QSignalBlocker, Qt, Signal, Slot
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QListWidget,
    QListWidgetItem,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from stackbench.frames.words import counted
from stackbench.review.findings import Finding
from stackbench.window.findingwords import list_words, sure_words, topic_words, when_words
from stackbench.window.lessoncards import add_lessons
from stackbench.window.night import NightModel
from stackbench.window.nightfindings import NightFindings
from stackbench.window.parts import button, card, emptied, label, scrolled
from stackbench.window.problemwords import alike, standing

_FEW_SUBS = 8  # fewer tell neither cloud from chance nor drift from scatter


class FindingsPage(QWidget):
    """Shows the findings in order of time; asks to mark one and to look at a sub.

    `mark_asked` comes with the finding whose subs are to be marked in the
    ribbon, `wanted` with the sub to be looked at.

    Parameters
    ----------
    model : NightModel
        The night.
    findings : NightFindings
        What was found in the night.
    """

    mark_asked = Signal(object)
    wanted = Signal(object)

    def __init__(self, model: NightModel, findings: NightFindings) -> None:
        super().__init__()
        self._model = model
        self._findings = findings
        self._listed: tuple[Finding, ...] = ()
        self._failure = ""
        self.setAccessibleName("Findings")
        self.list = QListWidget()
        self.list.setAccessibleName("Findings in order of time")
        self.list.setToolTip("The findings in order of time (↑ ↓)")
        self.list.setWordWrap(True)
        self.list.setMinimumWidth(220)
        self.look = button("Look at its first sub", "Show it in Review (Enter)", main=True)
        self.mark = button(
            "Mark in the ribbon", "Choose its subs again, and show when it was in the ribbon"
        )
        content = QWidget()
        self._content = QVBoxLayout(content)
        self._content.setContentsMargins(0, 0, 6, 0)
        self._content.setSpacing(12)
        right = QWidget()
        column = QVBoxLayout(right)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(8)
        column.addWidget(scrolled(content), 1)
        row = QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self.look)
        row.addWidget(self.mark)
        row.addStretch()
        column.addLayout(row)
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(self.list)
        split.addWidget(right)
        split.setStretchFactor(0, 2)
        split.setStretchFactor(1, 5)
        split.setSizes([320, 800])
        split.setChildrenCollapsible(False)
        split.setHandleWidth(12)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(14, 12, 14, 8)
        layout.addWidget(split)
        self.list.currentRowChanged.connect(self._picked)
        self.list.itemClicked.connect(self._ask_mark)
        self.list.itemActivated.connect(self._ask_look)
        self.look.clicked.connect(self._ask_look)
        self.mark.clicked.connect(self._ask_mark)
        findings.changed.connect(self.refresh)
        findings.failed.connect(self._fail)
        findings.marked_changed.connect(self._follow)
        model.changed.connect(self.refresh)

    @property
    def shown(self) -> Finding | None:
        """The finding that is told.

        Returns
        -------
        Finding or None
            None on a quiet night.
        """
        row = self.list.currentRow()
        return self._listed[row] if 0 <= row < len(self._listed) else None

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 - Qt's name
        """Show what is known by now, and mark it unless something else is chosen."""
        super().showEvent(event)
        self.refresh()
        if self._findings.marked is None and not self._model.chosen:
            self._ask_mark()

    @Slot()
    def refresh(self) -> None:
        """List the findings, if they can be seen."""
        if not self.isVisible():
            return
        found = self._findings.found
        if found is not None:
            self._failure = ""
        if self._listed != (found or ()):
            before = self._findings.marked or self.shown
            self._listed = found or ()
            titles = [one.title for one in self._listed]
            at = titles.index(before.title) if before and before.title in titles else 0
            with QSignalBlocker(self.list):  # nothing is picked by being listed
                self.list.clear()
                for one in self._listed:
                    self.list.addItem(QListWidgetItem(self._item_words(one)))
                self.list.setCurrentRow(at if titles else -1)
        self.list.setVisible(bool(self._listed))
        self._tell()

    def _item_words(self, finding: Finding) -> str:
        targets = {lane.group.target for lane in self._model.lanes}
        rows = self._findings.rows_of(finding)
        target = self._model.lanes[rows[0].lane].group.target if rows else ""
        return list_words(
            finding,
            of_all=self._findings.concerns_all(finding),
            target=target if len(targets) > 1 else "",
            evening=self._findings.evening_of(finding),
        )

    def _tell(self) -> None:
        """Tell the finding, and below it what to do next."""
        layout = emptied(self._content)
        finding = self.shown
        layout.addWidget(self._no_finding() if finding is None else self._told(finding))
        add_lessons(layout, self._model.state)
        layout.addStretch()
        self._enable()

    def _told(self, finding: Finding) -> QFrame:
        frame, inside = card()
        frame.setAccessibleName("The finding")
        inside.addWidget(label(finding.title, "heading"))
        of_all = self._findings.concerns_all(finding)
        subs = "all subs" if of_all else counted(len(finding.subs), "sub")
        when = when_words(finding, of_all=of_all, evening=self._findings.evening_of(finding))
        parts = (topic_words(finding), when, subs)
        inside.addWidget(label(", ".join(filter(None, parts)), "muted"))
        inside.addWidget(label(finding.text))
        evidence = "\n".join(f"•  {line}" for line in finding.evidence)
        for head, words in (
            ("Evidence", evidence),
            ("How sure", sure_words(finding)),
            ("What to do", finding.remedy),
        ):
            if words:
                inside.addSpacing(6)
                inside.addWidget(label(head, "muted"))
                inside.addWidget(label(words))
        return frame

    def _no_finding(self) -> QFrame:
        frame, inside = card()
        frame.setAccessibleName("The findings")
        if self._failure:
            heading, words = "No findings", self._failure
        elif self._findings.found is not None:
            heading = "A quiet night"
            words = (
                "Nothing stands out: sky, focus, tracking, optics and camera did what they "
                "should. Enjoy what you have got."
            )
            problems = alike(standing(self._model.state))
            if problems:
                heading = "Nothing stands out in the subs"
                words = "Sky, focus and tracking did what they should."
            if len(self._model.rows) < _FEW_SUBS:
                heading = "Nothing stands out"
                words = "So few subs can tell little; with eight or more there is more to find."
            if problems:
                words += f" The Frames page has {counted(len(problems), 'thing')} to look at."
        elif self._model.state.groups:
            heading, words = "Findings", "Looking through the measures…"
        else:
            heading, words = "Findings", "They are there as soon as the subs are judged."
        inside.addWidget(label(heading, "heading"))
        inside.addWidget(label(words))
        return frame

    def _enable(self) -> None:
        finding = self.shown
        for one in (self.look, self.mark):
            one.setVisible(finding is not None)
        self.look.setEnabled(finding is not None and bool(finding.subs))
        self.mark.setEnabled(finding is not None and finding is not self._findings.marked)

    @Slot(int)
    def _picked(self, row: int) -> None:
        if row >= 0:
            self._tell()
            self._ask_mark()

    @Slot()
    def _follow(self) -> None:
        marked = self._findings.marked
        if marked in self._listed and marked is not self.shown:
            self.list.setCurrentRow(self._listed.index(marked))
        self._enable()

    @Slot(str)
    def _fail(self, words: str) -> None:
        self._failure = words
        self.refresh()

    @Slot()
    def _ask_mark(self) -> None:
        if self.shown is not None:
            self.mark_asked.emit(self.shown)

    @Slot()
    def _ask_look(self) -> None:
        finding = self.shown
        rows = self._findings.rows_of(finding) if finding is not None else ()
        if rows:
            self._ask_mark()
            self.wanted.emit(rows[0].path)
