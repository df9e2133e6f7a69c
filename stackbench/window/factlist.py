"""Names and values, one pair below the other."""

from collections.abc import Sequence

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QVBoxLayout, QWidget

from stackbench.window.parts import label

Fact = tuple[str, str]


class FactList(QWidget):
    """Shows facts: what each is, and its value.

    Parameters
    ----------
    name : str
        What the facts are about, for those who do not see them.
    """

    def __init__(self, name: str) -> None:
        super().__init__()
        self.setAccessibleName(name)
        self.facts: tuple[Fact, ...] = ()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        self._grid = QGridLayout()
        layout.addLayout(self._grid)
        layout.addStretch()
        self._grid.setHorizontalSpacing(12)
        self._grid.setVerticalSpacing(2)
        self._grid.setColumnStretch(1, 1)

    def show_facts(self, facts: Sequence[Fact]) -> None:
        """Show facts in place of those before.

        Parameters
        ----------
        facts : sequence of (str, str)
            Name and value of each.
        """
        if tuple(facts) == self.facts:
            return
        self.facts = tuple(facts)
        while (item := self._grid.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.hide()
                widget.deleteLater()
        top = Qt.AlignmentFlag.AlignTop
        for row, (name, value) in enumerate(facts):
            self._grid.addWidget(label(name, "muted", wrap=False), row, 0, top)
            self._grid.addWidget(label(value), row, 1, top)
