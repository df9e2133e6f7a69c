"""The bar at the top: one step beside the other, and where the output goes."""

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import QButtonGroup, QFrame, QHBoxLayout, QToolButton

from stackbench.window.parts import ElidedLabel

NIGHT, FRAMES, MASTERS, FINDINGS = "Night", "Frames", "Masters", "Findings"
REVIEW, STACKS, CHANNELS = "Review", "Stacks", "Channels"
STEPS = (NIGHT, FRAMES, MASTERS, FINDINGS, REVIEW, STACKS, CHANNELS)


class StepBar(QFrame):
    """Shows the steps; `wanted` comes with the one that is asked for.

    Parameters
    ----------
    steps : sequence of str
        Their names.
    """

    wanted = Signal(str)

    def __init__(self, steps: Sequence[str]) -> None:
        super().__init__()
        self._steps = list(steps)
        self.setProperty("part", "top")
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 0, 16, 0)
        row.setSpacing(2)
        self._buttons = QButtonGroup(self)
        for number, words in enumerate(steps):
            one = QToolButton()
            one.setText(words)
            one.setCheckable(True)
            one.setProperty("part", "step")
            one.setToolTip(f"{words} (Ctrl+{number + 1})")
            one.setFocusPolicy(Qt.FocusPolicy.TabFocus)
            self._buttons.addButton(one, number)
            row.addWidget(one)
        self._where = ElidedLabel("muted")
        self._where.setAlignment(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
        row.addSpacing(8)
        row.addWidget(self._where, 1)
        self._buttons.idClicked.connect(lambda number: self.wanted.emit(self._steps[number]))

    def show_step(self, step: str) -> None:
        """Mark the step that is shown.

        Parameters
        ----------
        step : str
            Its name.
        """
        self._buttons.button(self._steps.index(step)).setChecked(True)

    def show_count(self, step: str, count: int) -> None:
        """Tell how many things a step has to show.

        Parameters
        ----------
        step : str
            Its name.
        count : int
            Not told when it is 0.
        """
        words = f"{step} ({count})" if count else step
        self._buttons.button(self._steps.index(step)).setText(words)

    def words(self) -> list[str]:
        """List what the steps' buttons say.

        Returns
        -------
        list of str
            In the order of the steps.
        """
        return [one.text() for one in self._buttons.buttons()]

    def show_output(self, out: Path | None) -> None:
        """Tell where the output goes; without one there is only the first step.

        Parameters
        ----------
        out : Path or None
            The output folder.
        """
        for button in self._buttons.buttons()[1:]:
            button.setEnabled(out is not None)
        if out is None:
            self.show_step(self._steps[0])
        self._where.setText("" if out is None else out.name)
        self._where.more = "" if out is None else str(out)
