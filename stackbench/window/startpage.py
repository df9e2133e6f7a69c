"""The first page: which nights, where to, and begin."""

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from stackbench.job.remembering import propose_output
from stackbench.window.choices import RecentNight
from stackbench.window.controller import sort_drop
from stackbench.window.parts import button, card, emptied, label
from stackbench.window.places import sample_night, short, writable_output


class StartPage(QWidget):
    """Gathers nights and an output folder; asks to begin, never begins.

    `begun` comes with the nights' folders and the output folder, the folders
    being empty where an earlier output is taken up again.
    """

    begun = Signal(object, object)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._nights: list[Path] = []
        self._chose_out = False
        self.setAccessibleName("Start")
        middle = QVBoxLayout()
        middle.setSpacing(12)
        middle.addWidget(label("Drop a night’s folder here, or choose one.", "title"))
        self._hint = label(
            "Raw frames are only ever read. Masters, stacks and channels go to a folder of "
            "their own.",
            "muted",
        )
        middle.addWidget(self._hint)
        self._zone, zone = card()
        self._zone.setProperty("part", "drop")
        self._zone.setMinimumHeight(170)
        self._zone.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Maximum)
        self._list = QVBoxLayout()
        self._list.setSpacing(4)
        zone.addLayout(self._list)
        zone.addStretch()
        row = QHBoxLayout()
        self.choose = button("Choose a folder…", "Choose a night’s folder (Ctrl+O)")
        self.sample = button("Try the sample night", "A small simulated night that comes along")
        row.addWidget(self.choose)
        row.addWidget(self.sample)
        row.addStretch()
        zone.addLayout(row)
        middle.addWidget(self._zone)
        middle.addLayout(self._output_row())
        self._words = label("", "warn")
        self._words.setAccessibleName("Why it does not go on")
        self._words.hide()
        middle.addWidget(self._words)
        self._recent = QVBoxLayout()
        self._recent.setSpacing(4)
        middle.addLayout(self._recent)
        middle.addStretch()
        column = QFrame()
        column.setMaximumWidth(760)
        column.setLayout(middle)
        outer = QHBoxLayout(self)
        outer.setContentsMargins(32, 28, 32, 12)
        outer.addStretch(1)
        outer.addWidget(column, 20)
        outer.addStretch(1)
        self.choose.clicked.connect(self.ask_for_folder)
        self.sample.clicked.connect(self._take_sample)
        self.sample.setVisible(sample_night() is not None)
        self.begin.clicked.connect(self._begin)
        self._show()

    def _output_row(self) -> QVBoxLayout:
        lines = QVBoxLayout()
        lines.setSpacing(4)
        self._out_label = label("Output folder", "muted")
        lines.addWidget(self._out_label)
        row = QHBoxLayout()
        self.output = QLineEdit()
        self.output.setAccessibleName("Output folder")
        self.output.textEdited.connect(self._out_edited)
        self._browse = button("Change…", "Choose where the output goes")
        self._browse.clicked.connect(self._ask_for_output)
        self.begin = button("Begin", "Begin with these nights (Return)", main=True)
        row.addWidget(self.output, 1)
        row.addWidget(self._browse)
        row.addWidget(self.begin)
        lines.addLayout(row)
        return lines

    def add(self, paths: Sequence[Path]) -> None:
        """Take dropped or chosen folders.

        Parameters
        ----------
        paths : sequence of Path
            Nights are added; an earlier output is taken up at once; what is
            neither is refused in words.
        """
        nights, outputs, refused = sort_drop(paths)
        if outputs and not nights:
            self.say(refused)
            self.begun.emit((), outputs[0])
            return
        for night in nights:
            if night not in self._nights:
                self._nights.append(night)
        if nights and not self._chose_out:
            self.output.setText(short(writable_output(propose_output(self._nights))))
        self._show()
        self.say(refused)

    def say(self, words: str) -> None:
        """Say in place why something does not go on.

        Parameters
        ----------
        words : str
            Empty to say nothing.
        """
        self._words.setText(words)
        self._words.setVisible(bool(words))

    def take_up(self, nights: Sequence[Path], out: Path) -> None:
        """Begin with nights that are worked on already.

        Parameters
        ----------
        nights : sequence of Path
            Their folders.
        out : Path
            Their output folder.
        """
        self._nights = list(nights)
        self._chose_out = True
        self.output.setText(short(out))
        self._show()

    def forget(self) -> None:
        """Begin with no nights."""
        self._nights = []
        self._chose_out = False
        self.output.clear()
        self.say("")
        self._show()

    def show_recent(self, nights: Sequence[RecentNight]) -> None:
        """List the nights worked on last.

        Parameters
        ----------
        nights : sequence of RecentNight
            The latest first.
        """
        layout = emptied(self._recent)
        if nights:
            layout.addWidget(label("Recent nights", "heading"))
        for night in nights:
            layout.addWidget(self._recent_button(night))

    @Slot()
    def ask_for_folder(self) -> None:
        """Let the person choose a folder."""
        name = QFileDialog.getExistingDirectory(self, "The night’s folder")
        if name:
            self.add([Path(name)])

    def _recent_button(self, night: RecentNight) -> QPushButton:
        one = button(f"{night.name}   →   {short(night.out)}", f"Take up {night.out} again")
        one.setStyleSheet("text-align: left;")
        one.clicked.connect(lambda: self.begun.emit(night.folders, night.out))
        return one

    @Slot()
    def _take_sample(self) -> None:
        folder = sample_night()
        if folder is not None:
            self.add([folder])

    @Slot()
    def _ask_for_output(self) -> None:
        name = QFileDialog.getExistingDirectory(
            self, "The output folder", str(Path(self.output.text()).expanduser())
        )
        if name:
            self.output.setText(short(Path(name)))
            self._out_edited()

    @Slot()
    def _out_edited(self) -> None:
        self._chose_out = bool(self.output.text())
        self.begin.setEnabled(bool(self._nights and self.output.text()))

    @Slot()
    def _begin(self) -> None:
        self.say("")
        self.begun.emit(tuple(self._nights), Path(self.output.text()).expanduser())

    def _show(self) -> None:
        layout = emptied(self._list)
        if not self._nights:
            layout.addWidget(label("No night yet. Several can be stacked together.", "muted"))
        for night in self._nights:
            layout.addWidget(self._night_row(night))
        chosen = bool(self._nights)
        for one in (self._out_label, self.output, self._browse, self.begin):
            one.setVisible(chosen)
        self._out_edited_quietly()
        if chosen:
            self.begin.setFocus(Qt.FocusReason.OtherFocusReason)

    def _out_edited_quietly(self) -> None:
        self.begin.setEnabled(bool(self._nights and self.output.text()))

    def _night_row(self, night: Path) -> QWidget:
        row = QWidget()
        layout = QHBoxLayout(row)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(label(short(night)), 1)
        away = button("Leave out", f"Leave {night.name} out")
        away.clicked.connect(lambda: self._leave_out(night))
        layout.addWidget(away)
        return row

    def _leave_out(self, night: Path) -> None:
        self._nights.remove(night)
        if self._nights and not self._chose_out:
            self.output.setText(short(writable_output(propose_output(self._nights))))
        self._show()
