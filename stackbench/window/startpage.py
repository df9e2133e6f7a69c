"""The first page: which nights, where to, and begin."""

from collections.abc import Sequence
from pathlib import Path

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from stackbench.job.remembering import propose_output
from stackbench.window.choices import Choices, RecentNight
from stackbench.window.drawing import Drawing
from stackbench.window.drops import sort_drop
from stackbench.window.parts import button, card, emptied, label, scrolled
from stackbench.window.places import sample_night, short, spelled_out, writable_output
from stackbench.window.recentnights import RecentNights

_PROMISE = (
    (
        "What you bring",
        "FITS files of a cooled monochrome camera, packed ones too, of one night or several. "
        "Bias, dark and flat frames as far as you have them.",
    ),
    (
        "What happens",
        "Frames are sorted, calibrated, measured and judged. Each rejected sub says why, and you "
        "overrule it with one key.",
    ),
    (
        "What you get",
        "For each filter one linear channel, all on one pixel grid, as FITS and TIFF; and a "
        "report of the night.",
    ),
)


class StartPage(QWidget):
    """Gathers nights and an output folder; asks to begin, never begins.

    `begun` comes with the nights' folders and the output folder, the folders
    being empty where an earlier output is taken up again.

    Parameters
    ----------
    choices : Choices
        Where new output is wanted.
    """

    begun = Signal(object, object)

    def __init__(self, choices: Choices) -> None:
        super().__init__()
        self._choices = choices
        self._nights: list[Path] = []
        self._chose_out = False
        self._known = False  # whether nights were worked on before
        self.setAccessibleName("Start")
        self.choose = button("Choose a folder…", "Choose a night’s folder (Ctrl+O)", main=True)
        self.sample = button("Try the sample night", "A small simulated night that comes along")
        self.sample.setVisible(sample_night() is not None)
        self.recent = RecentNights()
        self._words = label("", "warn")
        self._words.setAccessibleDescription("Why it does not go on")
        self._words.hide()
        middle = QVBoxLayout()
        middle.setSpacing(14)
        middle.addStretch(1)
        middle.addWidget(label("Drop a night’s folder, get aligned channels.", "title"))
        middle.addWidget(self._drop_zone(), 8)
        middle.addWidget(self._output_row())
        middle.addWidget(self._words)
        middle.addWidget(self.recent)
        self._promise = _promise()
        middle.addWidget(self._promise)
        middle.addStretch(2)
        column = QFrame()
        column.setMaximumWidth(900)
        column.setLayout(middle)
        content = QWidget()
        outer = QHBoxLayout(content)
        outer.setContentsMargins(32, 28, 32, 28)
        outer.addStretch(1)
        outer.addWidget(column, 30)
        outer.addStretch(1)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(scrolled(content))
        self.choose.clicked.connect(self.ask_for_folder)
        self.sample.clicked.connect(self._take_sample)
        self.begin.clicked.connect(self._begin)
        self.recent.wanted.connect(lambda night: self.begun.emit(night.folders, night.out))
        self._show()

    def _drop_zone(self) -> QFrame:
        zone, inside = card()
        zone.setProperty("part", "drop")
        zone.setMinimumHeight(250)
        zone.setMaximumHeight(400)
        self._list = QVBoxLayout()
        self._list.setSpacing(4)
        drawing = Drawing("drop", 88)
        self._invitation = label("", "heading")
        hint = label(
            "Lights and calibration frames, together or in folders of their own. Raw frames are "
            "only ever read.",
            "muted",
        )
        for one in (self._invitation, hint):
            one.setAlignment(Qt.AlignmentFlag.AlignHCenter)
        row = QHBoxLayout()
        row.setSpacing(10)
        row.addStretch()
        row.addWidget(self.choose)
        row.addWidget(self.sample)
        row.addStretch()
        inside.setContentsMargins(18, 16, 18, 18)
        inside.addLayout(self._list)
        inside.addStretch(2)
        inside.addWidget(drawing, 0, Qt.AlignmentFlag.AlignHCenter)
        inside.addSpacing(6)
        inside.addWidget(self._invitation)
        inside.addWidget(hint)
        inside.addSpacing(10)
        inside.addLayout(row)
        inside.addStretch(3)
        return zone

    def _output_row(self) -> QWidget:
        self._output = QWidget()
        lines = QVBoxLayout(self._output)
        lines.setContentsMargins(0, 0, 0, 0)
        lines.setSpacing(4)
        lines.addWidget(label("Masters, stacks and channels go to", "muted"))
        row = QHBoxLayout()
        self.output = QLineEdit()
        self.output.setAccessibleName("Output folder")
        self.output.setToolTip("Made when it is not there; an earlier output is taken up again")
        self.output.textEdited.connect(self._out_edited)
        self._browse = button("Change…", "Choose where the output goes")
        self._browse.clicked.connect(self._ask_for_output)
        self.begin = button("Begin", "Begin with these nights (Return)", main=True)
        self.begin.setAutoDefault(True)  # Return presses it where it has the focus
        self.output.returnPressed.connect(self.begin.click)
        row.addWidget(self.output, 1)
        row.addWidget(self._browse)
        row.addWidget(self.begin)
        lines.addLayout(row)
        return self._output

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
            self.output.setText(short(self._proposed()))
        self._show()
        self.say(refused)

    def show_recent(self, nights: Sequence[RecentNight]) -> None:
        """Offer the nights worked on last; without any, tell what this is about.

        Parameters
        ----------
        nights : sequence of RecentNight
            The latest first.
        """
        self._known = bool(nights)
        self.recent.show_nights(nights)
        self._show()

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

    @Slot()
    def ask_for_folder(self) -> None:
        """Let the person choose a folder."""
        name = QFileDialog.getExistingDirectory(self, "The night’s folder")
        if name:
            self.add([Path(name)])

    @Slot()
    def _take_sample(self) -> None:
        folder = sample_night()
        if folder is not None:
            self.add([folder])

    @Slot()
    def _ask_for_output(self) -> None:
        name = QFileDialog.getExistingDirectory(
            self, "The output folder", str(spelled_out(self.output.text()) or Path.home())
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
        out = spelled_out(self.output.text())
        if out is None:
            self.say("The output folder is none that can be found: write its whole path.")
            return
        self.say("")
        self.begun.emit(tuple(self._nights), out)

    def _show(self) -> None:
        layout = emptied(self._list)
        for night in self._nights:
            layout.addWidget(self._night_row(night))
        chosen = bool(self._nights)
        self._invitation.setText(
            "Drop more nights of these targets here"
            if chosen
            else "Drop the folder here, or choose it"
        )
        self._output.setVisible(chosen)
        self._promise.setVisible(not (chosen or self._known))
        self.begin.setEnabled(bool(chosen and self.output.text()))
        # one main button at a time: what is to be done next
        self.choose.setProperty("part", "" if chosen else "main")
        self.choose.style().polish(self.choose)
        if chosen:
            self.begin.setFocus(Qt.FocusReason.OtherFocusReason)

    def _proposed(self) -> Path:
        """Propose an output folder, where the person wants new ones."""
        beside = propose_output(self._nights)
        place = self._choices.output_place()
        return writable_output(place / beside.name if place is not None else beside)

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
            self.output.setText(short(self._proposed()))
        self._show()


def _promise() -> QWidget:
    """Tell newcomers in three short columns what this is about."""
    columns = QWidget()
    layout = QHBoxLayout(columns)
    layout.setContentsMargins(0, 10, 0, 0)
    layout.setSpacing(28)
    for heading, words in _PROMISE:
        column = QVBoxLayout()
        column.setSpacing(4)
        column.addWidget(label(heading, "heading"))
        column.addWidget(label(words, "muted"))
        column.addStretch()
        layout.addLayout(column, 1)
    return columns
