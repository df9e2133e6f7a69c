"""The nights worked on last, one button each."""

from collections.abc import Sequence

from PySide6.QtCore import Signal
from PySide6.QtWidgets import QFrame, QHBoxLayout, QPushButton, QVBoxLayout

from stackbench.window.choices import RecentNight
from stackbench.window.parts import ElidedLabel, button, emptied, label
from stackbench.window.places import short


class RecentNights(QFrame):
    """Lists nights; `wanted` comes with the RecentNight that is to be taken up again."""

    wanted = Signal(object)

    def __init__(self) -> None:
        super().__init__()
        self._list = QVBoxLayout()
        self._list.setSpacing(6)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 6, 0, 0)
        whole.setSpacing(8)
        whole.addWidget(label("Recent nights", "heading"))
        whole.addLayout(self._list)
        self.hide()

    def show_nights(self, nights: Sequence[RecentNight]) -> None:
        """List nights.

        Parameters
        ----------
        nights : sequence of RecentNight
            The latest first; nothing is seen when there is none.
        """
        layout = emptied(self._list)
        for night in nights:
            layout.addWidget(self._row(night))
        self.setVisible(bool(nights))

    def _row(self, night: RecentNight) -> QPushButton:
        row = button("", f"Take {night.out} up again")
        row.setAccessibleName(f"Take {night.name} up again, output in {night.out}")
        row.setProperty("part", "row")
        row.setMinimumHeight(36)
        inside = QHBoxLayout(row)
        inside.setContentsMargins(14, 2, 14, 2)
        inside.setSpacing(16)
        for words, part, stretch in ((night.name, "", 2), (short(night.out), "muted", 3)):
            line = ElidedLabel(part)
            line.setText(words)
            inside.addWidget(line, stretch)
        row.clicked.connect(lambda: self.wanted.emit(night))
        return row
