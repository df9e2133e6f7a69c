"""What was found: groups of lights, what calibrates them, and what is missing."""

from PySide6.QtCore import Slot
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from stackbench.frames.names import setup_label
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.words import celsius, counted, duration, seconds
from stackbench.job.overview import ServedGroup
from stackbench.window.night import NightModel
from stackbench.window.parts import card, emptied, label, scrolled


class FramesPage(QWidget):
    """Shows the overview; sets nothing."""

    def __init__(self, model: NightModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._shown: object = None
        self.setAccessibleName("Frames")
        self._groups, left = _column()
        self._problems, right = _column()
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 4, 8, 0)
        layout.setSpacing(0)
        layout.addWidget(scrolled(left), 3)
        layout.addWidget(scrolled(right), 2)
        model.changed.connect(self.refresh)
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """Show the overview, unless it is shown already."""
        state = self._model.state
        if (state.overview, state.problems) == self._shown:
            return
        self._shown = (state.overview, state.problems)
        groups = emptied(self._groups)
        if state.overview is not None:
            for served in state.overview.groups:
                groups.addWidget(_group(served))
            if not state.overview.groups:
                groups.addWidget(label("No light frames were found.", "heading"))
            if state.overview.plan.sets:
                groups.addWidget(self._sets())
        groups.addStretch()
        problems = emptied(self._problems)
        if state.overview is not None:
            words = (
                f"{counted(len(state.problems), 'thing')} to look at"
                if state.problems
                else "Nothing is missing"
            )
            problems.addWidget(label(words, "heading"))
        for problem in state.problems:
            problems.addWidget(_problem(problem))
        problems.addStretch()

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
                    f"{counted(len(one.frames), f'{one.kind.value} frame')}: "
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
        for note in serving.notes or ("Nothing calibrates them",):
            inside.addWidget(label(f"{note[0].upper()}{note[1:]}"))
        for problem in serving.problems:
            inside.addWidget(label(problem.what, "warn"))
    return frame


def _exposures(lights: tuple[Frame, ...]) -> str:
    times = sorted({one.exposure_s for one in lights if one.exposure_s is not None})
    return f"{len(lights)} × {', '.join(map(seconds, times)) or 'unknown exposure'}"


def _problem(problem: Problem) -> QWidget:
    frame, inside = card()
    if problem.path is not None:
        name = label(problem.path.name, "muted")
        name.setToolTip(str(problem.path))
        inside.addWidget(name)
    inside.addWidget(label(problem.what, "heading"))
    inside.addWidget(label(problem.why))
    inside.addWidget(label(f"Remedy: {problem.remedy}"))
    return frame
