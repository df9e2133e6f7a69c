"""What is set for the program itself: where new output goes, how many threads work."""

import os
from pathlib import Path

from PySide6.QtCore import Signal, Slot
from PySide6.QtWidgets import (
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLineEdit,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from stackbench.window.parts import button, label
from stackbench.window.places import short, spelled_out


class ProgramForm(QWidget):
    """Shows and reads the choices that hold for every night; `edited` tells of a change."""

    edited = Signal()

    def __init__(self) -> None:
        super().__init__()
        self.threads = QSpinBox()
        self.threads.setRange(0, 256)
        self.threads.setSpecialValueText(f"one per processor ({os.cpu_count() or 1})")
        self.threads.setMinimumSize(190, 28)
        self.threads.setAccessibleName("Threads that work")
        self.threads.setToolTip("How many threads a job uses, from the next night opened on")
        self.place = QLineEdit()
        self.place.setPlaceholderText("beside the night")
        self.place.setAccessibleName("Folder for new output")
        self.place.setToolTip("New output folders are proposed in here; empty: beside the night")
        choose = button("Choose…", "Choose the folder in which new output folders are proposed")
        choose.clicked.connect(self._choose)
        column = QVBoxLayout(self)
        column.setContentsMargins(16, 4, 16, 12)
        column.setSpacing(10)
        column.addWidget(label("Program", "heading"))
        column.addWidget(label("What holds for every night.", "muted"))
        grid = QGridLayout()
        grid.setHorizontalSpacing(10)
        grid.setVerticalSpacing(3)
        row = QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self.place, 1)
        row.addWidget(choose)
        for number, (words, editor, about) in enumerate(
            (
                ("Threads", self.threads, "More than the machine has processors gain nothing."),
                (
                    "New output goes to",
                    self.place,
                    "A folder of its own for every night; it can be changed on the start page.",
                ),
            )
        ):
            name = label(words)
            name.setBuddy(editor)
            name.setMinimumWidth(150)
            grid.addWidget(name, 2 * number, 0)
            if editor is self.place:
                grid.addLayout(row, 2 * number, 1)
            else:
                grid.addWidget(editor, 2 * number, 1)
            more = label(about, "muted")
            more.setContentsMargins(0, 0, 0, 8)
            grid.addWidget(more, 2 * number + 1, 0, 1, 2)
        column.addLayout(grid)
        column.addStretch()
        self.threads.valueChanged.connect(self.edited)
        self.place.textEdited.connect(self.edited)

    def show_choices(self, threads: int | None, place: Path | None) -> None:
        """Show the choices.

        Parameters
        ----------
        threads : int or None
            None for one per processor.
        place : Path or None
            None for beside the night.
        """
        self.threads.setValue(threads or 0)
        self.place.setText(short(place) if place is not None else "")

    def chosen_threads(self) -> int | None:
        """Read how many threads are wanted.

        Returns
        -------
        int or None
            None for one per processor.
        """
        return self.threads.value() or None

    def chosen_place(self) -> Path | None:
        """Read where new output is to go.

        Returns
        -------
        Path or None
            None for beside the night.
        """
        return spelled_out(self.place.text())

    def fault(self) -> str:
        """Tell what is wrong.

        Returns
        -------
        str
            Empty when nothing is.
        """
        place = self.chosen_place()
        text = self.place.text().strip()
        if text and (place is None or not place.is_dir()):
            return f"New output goes to: {place or text} is no folder."
        return ""

    @Slot()
    def _choose(self) -> None:
        name = QFileDialog.getExistingDirectory(
            self, "The folder for new output", str(self.chosen_place() or Path.home())
        )
        if name:
            self.place.setText(short(Path(name)))
            self.edited.emit()
