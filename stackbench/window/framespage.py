"""What was found: groups of lights, what calibrates them, what is missing; and all frames."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import Qt, Slot
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from stackbench.frames.names import setup_label
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.words import celsius, counted, duration, seconds
from stackbench.job.matches import Match, Quality, matches
from stackbench.job.overview import ServedGroup
from stackbench.window.framesview import FramesView
from stackbench.window.night import NightModel
from stackbench.window.parts import ElidedLabel, button, card, emptied, label, scrolled
from stackbench.window.problemwords import alike, files_words, standing


class FramesPage(QWidget):
    """Shows the overview or all frames; sets nothing.

    Parameters
    ----------
    model : NightModel
        The night.
    """

    def __init__(self, model: NightModel) -> None:
        super().__init__()
        self._model = model
        self._shown: object = None
        self.setAccessibleName("Frames")
        self._groups, left = _column()
        self._problems, right = _column()
        self.every = FramesView(model)
        self.by_groups = button("By groups", "What calibrates which lights, and what is missing")
        self.one_by_one = button("One by one", "All frames; kinds and filters can be set by hand")
        self._pages = QStackedWidget()
        columns = QWidget()
        beside = QHBoxLayout(columns)
        beside.setContentsMargins(0, 0, 0, 0)
        beside.setSpacing(0)
        beside.addWidget(scrolled(left), 3)
        self._to_look_at = scrolled(right)
        beside.addWidget(self._to_look_at, 2)
        self._counts = ElidedLabel("muted")
        head = QHBoxLayout()
        head.setContentsMargins(12, 8, 12, 0)
        head.setSpacing(8)
        for one, page in ((self.by_groups, columns), (self.one_by_one, self.every)):
            self._pages.addWidget(page)
            one.setCheckable(True)
            one.setAutoExclusive(True)
            one.setMinimumWidth(one.sizeHint().width() + 32)  # chosen, its words are bold
            one.clicked.connect(lambda _=False, page=page: self._pages.setCurrentWidget(page))
            head.addWidget(one)
        self.by_groups.setChecked(True)
        head.addWidget(self._counts, 1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 0, 8, 0)
        layout.setSpacing(0)
        layout.addLayout(head)
        layout.addWidget(self._pages, 1)
        model.changed.connect(self.refresh)
        self.refresh()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 - Qt's name
        """Show what is known by now."""
        super().showEvent(event)
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """Show the overview, if it can be seen and is not shown already."""
        if not self.isVisible():
            return
        state = self._model.state
        problems = standing(state)
        complete = state.overview is not None and not problems
        self._counts.setText(_counts(state.frames, complete=complete))
        if (state.overview, problems) == self._shown:
            return
        self._shown = (state.overview, problems)
        groups = emptied(self._groups)
        if state.overview is not None:
            for served in state.overview.groups:
                groups.addWidget(_group(served))
            if not state.overview.groups:
                groups.addWidget(label("No light frames were found.", "heading"))
            if state.overview.plan.sets:
                groups.addWidget(self._sets())
        groups.addStretch()
        column = emptied(self._problems)
        to_tell = alike(problems)
        self._to_look_at.setVisible(bool(to_tell))  # else the groups have all the room
        if to_tell:
            column.addWidget(label(f"{counted(len(to_tell), 'thing')} to look at", "heading"))
        for problem, paths in to_tell.items():
            column.addWidget(_problem(problem, paths))
        column.addStretch()

    def _sets(self) -> QWidget:
        frame, inside = card()
        inside.addWidget(label("Calibration frames", "heading"))
        overview = self._model.state.overview
        for one in overview.plan.sets if overview is not None else ():
            facts = [
                f"filter {one.filter}" if one.filter else "",
                seconds(one.exposure_s) if one.kind is not Kind.BIAS else "",
                celsius(one.temperature_c) if one.temperature_c is not None else "",
                f"night of {one.night.isoformat()}" if one.night else "",
            ]
            inside.addWidget(
                label(
                    f"{counted(one.depth, f'{one.kind.value} frame')}: "
                    f"{', '.join(filter(None, facts))}"
                )
            )
        return frame


def _column() -> tuple[QVBoxLayout, QWidget]:
    content = QWidget()
    layout = QVBoxLayout(content)
    layout.setContentsMargins(12, 12, 12, 12)
    layout.setSpacing(10)
    return layout, content


def _group(served: ServedGroup) -> QWidget:
    frame, inside = card()
    group = served.group
    inside.addWidget(label(f"{group.target}, {group.filter or 'no filter named'}", "heading"))
    total = sum(one.exposure_s or 0.0 for one in group.frames)
    inside.addWidget(
        label(
            f"{counted(len(group.frames), 'light')}, {duration(total)} in all, "
            f"setup {setup_label(group.setup)}",
            "muted",
        )
    )
    for serving, lights in served.servings:
        if len(served.servings) > 1:
            inside.addWidget(label(_exposures(lights)))
        inside.addWidget(_matches(matches(serving, lights)))
        for problem in serving.problems:
            inside.addWidget(
                label(f"{_sentence(problem.what)} {_sentence(problem.remedy)}", "warn")
            )
    return frame


def _matches(found: Sequence[Match]) -> QWidget:
    """Tell in three lines what serves as bias, dark and flat, and how well."""
    lines = QWidget()
    grid = QGridLayout(lines)
    grid.setContentsMargins(0, 4, 0, 2)
    grid.setHorizontalSpacing(12)
    grid.setVerticalSpacing(3)
    grid.setColumnStretch(2, 1)
    for row, match in enumerate(found):
        doubtful = match.quality is not Quality.GOOD
        texts = (match.kind.value.capitalize(), match.quality.value, match.words)
        for column, words in enumerate(texts):
            part = "warn" if doubtful and column == 1 else "muted" if column == 0 else ""
            one = label(words, part, wrap=column == 2)
            grid.addWidget(one, row, column, Qt.AlignmentFlag.AlignTop)
    return lines


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}{'' if words.endswith('.') else '.'}"


def _counts(frames: Sequence[Frame], *, complete: bool) -> str:
    """Count the frames by kind, such as "30 lights, 6 biases, 2 of unknown kind"."""
    counts = Counter(frame.kind for frame in frames)
    parts = [
        counted(counts[kind], f"{kind} frame")
        for kind in Kind
        if counts[kind] and kind is not Kind.UNKNOWN
    ]
    if counts[Kind.UNKNOWN]:
        parts.append(f"{counts[Kind.UNKNOWN]} of unknown kind")
    words = ", ".join(parts)
    return f"{words}: nothing is missing" if words and complete else words


def _exposures(lights: tuple[Frame, ...]) -> str:
    times = sorted({one.exposure_s for one in lights if one.exposure_s is not None})
    return f"{len(lights)} × {', '.join(map(seconds, times)) or 'unknown exposure'}"


def _problem(problem: Problem, paths: Sequence[Path]) -> QWidget:
    frame, inside = card()
    if paths:
        name = label(files_words(paths), "muted")
        name.setToolTip("\n".join(map(str, paths[:40])))
        inside.addWidget(name)
    inside.addWidget(label(_sentence(problem.what).rstrip("."), "heading"))
    inside.addWidget(label(f"Cause: {_sentence(problem.why)}"))
    inside.addWidget(label(f"Remedy: {_sentence(problem.remedy)}"))
    return frame
