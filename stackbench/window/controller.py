"""The one place that owns a session: takes intents, starts work, renews the model."""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import QObject, QTimer, Signal, Slot

from stackbench.frames.work import Stop
from stackbench.job.history import History, default_history
from stackbench.job.library import Library, default_library
from stackbench.job.progress import Progress, Step
from stackbench.job.remembering import is_output
from stackbench.job.session import Session
from stackbench.job.sessionstate import SessionState
from stackbench.job.settings import BEFORE_JUDGING, Settings
from stackbench.review.limits import Limits
from stackbench.window.changes import Changes
from stackbench.window.choices import Choices, RecentNight
from stackbench.window.deciding import Deciding
from stackbench.window.errands import Errands
from stackbench.window.loader import PictureLoader
from stackbench.window.night import NightModel
from stackbench.window.nightfindings import NightFindings
from stackbench.window.trial import Trial
from stackbench.window.worker import Tell
from stackbench.window.workthread import WorkThread

_TELL_EVERY_MS = 30


class Controller(QObject):
    """Owns a session and all that works for it.

    `working_changed` tells that work began or ended, `progressed` how far it
    is, `failed` why it ended in words, `stopped` that it was cancelled, and
    `finished` that all is done. `refused` says why a decision could not be kept.

    Parameters
    ----------
    choices : Choices
        What is remembered from day to day.
    parent : QObject, optional
        What it belongs to.
    threads : int, optional
        How many threads the job uses; one per processor if None.
    """

    working_changed = Signal()
    progressed = Signal(object)  # Reading
    failed = Signal(str)
    refused = Signal(str)
    stopped = Signal()
    finished = Signal()
    opened = Signal()

    def __init__(
        self, choices: Choices, parent: QObject | None = None, *, threads: int | None = None
    ) -> None:
        super().__init__(parent)
        self.choices = choices
        self.model = NightModel(self)
        self.pictures = PictureLoader(self)
        self.errands = Errands(self)
        self.changes = Changes(self)
        self.changes.refused.connect(self.refused)
        self.trial = Trial(self.model, self.changes, self)
        self.deciding = Deciding(self)
        self.findings = NightFindings(self.model, self.errands, self)
        self.session: Session | None = None
        # raised whenever pictures of subs would be others: by new masters, or new measures
        self.edition = 0
        self._threads = threads
        self._works = WorkThread(self)
        self._works.changed.connect(self.working_changed)
        self._works.progressed.connect(self.progressed)
        self._works.told.connect(self._hear)
        self._works.done.connect(self._done)
        self._works.cancelled.connect(self._cancelled)
        self._works.failed.connect(self._failed)
        # masters may be found one after the other faster than they can be drawn
        self._news: SessionState | None = None
        self._telling = QTimer(self, singleShot=True, interval=_TELL_EVERY_MS)
        self._telling.timeout.connect(self._tell)
        # sessions that a worker opened, also one whose news was not heard yet
        self._opened: list[Session] = []

    @property
    def working(self) -> bool:
        """Whether work is under way.

        Returns
        -------
        bool
            From the start to the moment when its end was heard.
        """
        return self._works.working

    @property
    def out(self) -> Path | None:
        """The output folder.

        Returns
        -------
        Path or None
            None while no session is open.
        """
        return self.session.out if self.session is not None else None

    def open(self, folders: Sequence[Path], out: Path) -> None:
        """Open an output folder and work on its nights.

        Parameters
        ----------
        folders : sequence of Path
            The nights' folders; those of the last job there if empty.
        out : Path
            The output folder.
        """
        if self.working:
            return
        self._leave()
        threads = self._threads or self.choices.threads()
        # an output folder keeps the settings that it was made with
        first = None if is_output(out) else self.choices.settings()

        self._works.begin(partial(self._open_and_work, folders, out, threads, first))

    def go_on(self) -> None:
        """Take up the work where it was left."""
        if self.session is not None and not self.working:
            self._works.begin(partial(self._run, self.session.run))

    def restack(self) -> None:
        """Do again what is out of date."""
        if self.session is None or self.working:
            return
        session = self.session
        if not session.state.groups:
            self.go_on()
            return
        self._works.begin(
            partial(self._run, session.restack),
            first=Step.FIND if set(session.state.outdated) & set(BEFORE_JUDGING) else Step.STACK,
        )

    def cancel(self) -> None:
        """Ask the work under way to stop."""
        self._works.cancel()

    def try_limit(self, measure: str, value: float, typical: float | None) -> None:
        """Show what a moved limit would change.

        Parameters
        ----------
        measure : str
            The measure.
        value : float
            Where its limit would lie within a group.
        typical : float or None
            That group's typical value.
        """
        if self.session is not None and self.model.state.groups:
            self.trial.move(self.session, measure, value, typical)

    def apply_trial(self) -> None:
        """Judge by the limits that were tried out."""
        if self.session is not None and self.trial.limits is not None:
            self.deciding.limit(self.trial.limits)

    def set_settings(self, settings: Settings) -> None:
        """Work by other settings from now on.

        Parameters
        ----------
        settings : Settings
            The settings of the night that is open.
        """
        if self.session is not None:
            self.change(partial(self.session.set_settings, settings))

    def edit_settings(self, edit: Callable[[Settings], Settings]) -> None:
        """Change some settings and leave the others as all earlier changes leave them.

        Parameters
        ----------
        edit : callable
            Makes the new settings from those that hold when it is their turn;
            called in another thread.
        """
        session = self.session
        if session is not None:
            self.change(lambda: session.set_settings(edit(session.settings)))

    def restore_limits(self) -> None:
        """Go back to the limits the program comes with."""
        if self.session is not None and self.model.state.groups:
            self.trial.take(self.session, Limits())

    def close(self) -> None:
        """Stop what is under way, wait for its end, and let go of the session."""
        self._works.leave()
        self._leave()
        self.changes.close()
        self.pictures.close()
        self.errands.close()

    def change(self, change: Callable[[], SessionState], *, other_plan: bool = False) -> None:
        """Have the session changed, and show what that leads to.

        Parameters
        ----------
        change : callable
            Changes it, in another thread.
        other_plan : bool
            Whether other masters may serve a sub from then on.
        """
        self.trial.forget()
        self.changes.begin(change, self._show_plan if other_plan else self._show)

    def _show_plan(self, state: object) -> None:
        self.pictures.clear()
        self.errands.clear()
        self._show(state)

    def _show(self, state: object) -> None:
        """Show a state, unless a later one is shown already."""
        if isinstance(state, SessionState) and state.version >= self.model.state.version:
            if _made_of(state) != _made_of(self.model.state):
                self.edition += 1
            self.model.show(state)
            if self.session is not None:
                self.trial.again(self.session)

    def _leave(self) -> None:
        self._news = None
        self.changes.clear()
        self.pictures.clear()
        self.pictures.settle()  # a session that is closed under a picture ends the process
        self.errands.clear()
        self.deciding.clear()
        self.trial.leave()
        while self._opened:
            self._opened.pop().close()
        if self.session is not None:
            self.session = None
            self.model.show(SessionState())

    def _run(
        self, run: Callable[..., SessionState], progress: Progress, stop: Stop, tell: Tell
    ) -> SessionState:
        """Work by all that was decided until now; in the thread of the work."""
        self.changes.settle()
        return run(progress=progress, stop=stop, hear=tell)

    def _open_and_work(
        self,
        folders: Sequence[Path],
        out: Path,
        threads: int | None,
        first: Settings | None,
        progress: Progress,
        stop: Stop,
        tell: Tell,
    ) -> SessionState:
        """Do all for an output folder; in the thread of the work."""
        session = Session(
            out,
            folders,
            threads=threads,
            library=Library(default_library()),
            history=History(default_history()),
        )
        self._opened.append(session)
        if first is not None:
            session.set_settings(first)
        tell(session)
        return session.run(progress=progress, stop=stop, hear=tell)

    @Slot(object)
    def _hear(self, what: object) -> None:
        if isinstance(what, Session):
            self.session = what
            self.choices.remember(RecentNight(folders=what.state.folders, out=what.out))
            self.opened.emit()
        elif isinstance(what, SessionState):
            self._news = what
            self._telling.start()

    @Slot()
    def _tell(self) -> None:
        """Show the last that was heard."""
        if self._news is not None:
            state, self._news = self._news, None
            self._show(state)

    @Slot(object)
    def _done(self, state: SessionState) -> None:
        self._news = None
        self._show(state)
        self.finished.emit()

    @Slot()
    def _cancelled(self) -> None:
        self._tell()
        self.stopped.emit()

    @Slot(str)
    def _failed(self, words: str) -> None:
        self._tell()
        self.failed.emit(words)


def _made_of(state: SessionState) -> tuple[int, ...]:
    """Tell shelf and measures apart from others; both states at hand keep theirs alive."""
    subs = (one.sub for group in state.groups for one in group.subs)
    return (id(state.shelf), *map(id, subs))
