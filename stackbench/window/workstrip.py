"""The strip that tells what is being done, what stopped it, and what waits to be done."""

from PySide6.QtCore import Qt, Signal, Slot
from PySide6.QtWidgets import QFrame, QGridLayout, QHBoxLayout, QProgressBar, QWidget

from stackbench.frames.words import counted, duration
from stackbench.job.sessionstate import SessionState
from stackbench.job.settings import BEFORE_JUDGING
from stackbench.window.controller import Controller
from stackbench.window.meter import Reading
from stackbench.window.parts import button, label
from stackbench.window.settingwords import PARTS

_FINE = 1000


class WorkStrip(QFrame):
    """Shows the controller's work; asks to cancel, to go on, to stack again.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    """

    cancel_asked = Signal()
    go_on_asked = Signal()
    restack_asked = Signal()

    def __init__(self, controller: Controller) -> None:
        super().__init__()
        self._controller = controller
        self._ended = ""
        self._bad = False
        self._was_working = False
        self.setProperty("part", "bar")
        self._words = label("", wrap=True)
        self._words.setAccessibleDescription("What is being done")
        self._step = _bar("This step")
        self._whole = _bar("The whole")
        bars = QGridLayout()
        bars.setHorizontalSpacing(8)
        bars.setVerticalSpacing(1)
        for row, bar in enumerate((self._step, self._whole)):
            bars.addWidget(label(bar.accessibleName(), "muted", wrap=False), row, 0)
            bars.addWidget(bar, row, 1)
        bars.setColumnStretch(1, 1)
        self._bars = QWidget()
        self._bars.setLayout(bars)
        bars.setContentsMargins(0, 0, 0, 0)
        self.cancel = button("Stop", "Stop; what is finished stays (Ctrl+.)")
        self.go_on = button("Go on", "Take the work up where it was left")
        self.restack = button("Stack again", "Stack again just what is out of date (F5)", main=True)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(16, 8, 16, 8)
        layout.setSpacing(14)
        layout.addWidget(self._words, 3)
        layout.addWidget(self._bars, 2)
        for one in (self.cancel, self.go_on, self.restack):
            layout.addWidget(one, 0, Qt.AlignmentFlag.AlignVCenter)
        self.cancel.clicked.connect(self.cancel_asked)
        self.go_on.clicked.connect(self.go_on_asked)
        self.restack.clicked.connect(self.restack_asked)
        controller.working_changed.connect(self.refresh)
        controller.progressed.connect(self._progress)
        controller.stopped.connect(self._stopped)
        controller.failed.connect(self._failed)
        controller.finished.connect(self._finished)
        controller.model.changed.connect(self.refresh)
        self.refresh()

    @property
    def words(self) -> str:
        """What the strip says.

        Returns
        -------
        str
            Plain text.
        """
        return self._words.text()

    @Slot()
    def refresh(self) -> None:
        """Show how things stand."""
        working = self._controller.working
        state = self._controller.model.state
        stale = not working and state.night is not None and bool(state.stale or state.outdated)
        halfway = not working and bool(self._ended)
        replanned = not working and state.replanned and not halfway
        self._bars.setVisible(working)
        self.cancel.setVisible(working)
        opened = self._controller.session is not None
        self.go_on.setVisible(replanned or (halfway and opened))
        self.restack.setVisible(stale and not halfway)
        if working:
            self._ended, self._bad = "", False
            if not self._was_working:
                self._words.setText("Beginning")
        elif halfway:
            self._words.setText(self._ended)
        elif replanned:
            self._words.setText(
                "The plan is another one since kinds or filters were set by hand. "
                "Go on to work by it; what it leaves as it was is not done again."
            )
        elif stale:
            self._words.setText(_stale_words(state))
        self._words.setProperty("part", "warn" if self._bad else "")
        self._words.style().polish(self._words)
        self.setVisible(working or halfway or replanned or stale)
        self._was_working = working

    def forget(self) -> None:
        """Say nothing more about work that ended; it is told elsewhere."""
        self._end("", bad=False)

    def tell_stopping(self) -> None:
        """Say that the work ends soon."""
        self._words.setText("Stopping after the piece of work under way")
        self.cancel.setEnabled(False)

    @Slot(object)
    def _progress(self, reading: Reading) -> None:
        if reading.step is None or not self.cancel.isEnabled():
            return
        name = reading.step.value
        pieces = f", {min(reading.done, reading.total)} of {reading.total}"
        left = "" if reading.left_s is None else f" · about {duration(_round(reading.left_s))} left"
        self._words.setText(
            f"{name[0].upper()}{name[1:]}{pieces if reading.total > 1 else ''}{left}"
        )
        part = reading.done / reading.total if reading.total else 0.0
        self._step.setValue(round(_FINE * min(part, 1.0)))
        self._whole.setValue(round(_FINE * reading.whole))

    @Slot()
    def _stopped(self) -> None:
        self._end("Stopped. What is finished stays; it goes on from there.", bad=False)

    @Slot(str)
    def _failed(self, words: str) -> None:
        self._end(words, bad=True)

    @Slot()
    def _finished(self) -> None:
        self._end("", bad=False)

    def _end(self, words: str, *, bad: bool) -> None:
        self._ended, self._bad = words, bad
        self.cancel.setEnabled(True)
        for one in (self._step, self._whole):
            one.setValue(0)
        self._words.setText("")
        self.refresh()


def _stale_words(state: SessionState) -> str:
    """Say what is out of date, and what it does not show."""
    titles = ", ".join(part.title for part in PARTS if part.name in state.outdated)
    if set(state.outdated) & set(BEFORE_JUDGING):
        return f"All is out of date after other settings: {titles}"
    if not state.stale:
        return "The channels’ files are out of date after other settings"
    filters = ", ".join(state.groups[n].group.filter or "no filter" for n in state.stale)
    return (
        f"{counted(len(state.stale), 'stack')} out of date: {filters}. "
        "What was decided or set since is not in yet."
    )


def _bar(name: str) -> QProgressBar:
    bar = QProgressBar()
    bar.setRange(0, _FINE)
    bar.setTextVisible(False)
    bar.setFixedHeight(6)
    bar.setAccessibleName(name)
    bar.setToolTip(name)
    return bar


def _round(left_s: float) -> float:
    """Round a guess to what it is worth."""
    step = 5 if left_s < 60 else 15 if left_s < 300 else 60
    return max(round(left_s / step) * step, step)
