"""The window: pages above, the night ribbon below, and all wires in one place."""

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from PySide6.QtCore import QPoint, QSize, Qt, Slot
from PySide6.QtGui import QCloseEvent, QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QMainWindow, QMenu, QVBoxLayout, QWidget

from stackbench.job.store import Decision
from stackbench.review.findings import Finding
from stackbench.window.appicon import app_icon
from stackbench.window.beside import Beside, ask_to_close
from stackbench.window.choices import Choices
from stackbench.window.commands import add_commands
from stackbench.window.controller import Controller
from stackbench.window.help import keys_text
from stackbench.window.menus import DECISIONS, enable_commands, main_commands
from stackbench.window.pages import Pages
from stackbench.window.parts import label, scrolled
from stackbench.window.ribbonbar import RibbonBar
from stackbench.window.stepbar import FINDINGS, FRAMES, NIGHT, REVIEW, STEPS, StepBar
from stackbench.window.tidying import Tidier
from stackbench.window.workstrip import WorkStrip


class MainWindow(QMainWindow):
    """The one window.

    Parameters
    ----------
    choices : Choices
        What is remembered from day to day.
    threads : int, optional
        How many threads a job uses; one per processor if None.
    """

    def __init__(self, choices: Choices, *, threads: int | None = None) -> None:
        super().__init__()
        self.controller = Controller(choices, self, threads=threads)
        self._choices = choices
        self._closing = False
        self._tidier = Tidier(self)
        self.setWindowTitle("stackbench")
        self.setWindowIcon(app_icon())
        self.setAcceptDrops(True)
        self.steps = StepBar(STEPS)
        self.pages = Pages(self.controller, choices)
        self.start, self.summary = self.pages.start, self.pages.summary
        self.frames, self.masters = self.pages.frames, self.pages.masters
        self.findings, self.review = self.pages.findings, self.pages.review
        self.stacks, self.channels = self.pages.stacks, self.pages.channels
        self.beside = Beside(self, self.controller)
        self.strip = WorkStrip(self.controller)
        self.bar = RibbonBar(self.controller.model)
        self.notice = label("", "warn")
        self.notice.setContentsMargins(18, 8, 18, 4)
        self.notice.hide()
        self._lay_out()
        self.actions_by_words = add_commands(self, main_commands(self))
        self._connect()
        self._restore()
        self._show_where()
        self.start.choose.setFocus()

    def _lay_out(self) -> None:
        whole = QWidget()
        layout = QVBoxLayout(whole)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.steps)
        layout.addWidget(self.notice)
        # in a window smaller than a page it scrolls, with Tab too
        room = scrolled(self.pages)
        room.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAsNeeded)
        room.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        layout.addWidget(room, 1)
        layout.addWidget(self.strip)
        layout.addWidget(self.bar)
        self.setCentralWidget(whole)
        self.setMinimumSize(QSize(760, 560))

    def _connect(self) -> None:
        controller, model, ribbon = self.controller, self.controller.model, self.bar.ribbon
        self.steps.wanted.connect(self.go_to)
        self.start.begun.connect(self._begin)
        self.summary.wanted.connect(self.look_at)
        self.summary.folder_asked.connect(self.beside.open_folder)
        self.summary.report_asked.connect(self.beside.open_report)
        self.summary.finding_asked.connect(self._look_at_finding)
        self.findings.mark_asked.connect(controller.findings.mark)
        self.findings.wanted.connect(self.look_at)
        controller.findings.marked_changed.connect(self._show_marked)
        controller.findings.changed.connect(self._count_findings)
        self.frames.every.label_asked.connect(controller.deciding.label)
        self.channels.folder_asked.connect(self.beside.open_folder)
        self.review.wanted.connect(model.set_current)
        self.review.decided.connect(self._decide_current)
        self.strip.cancel_asked.connect(self.stop)
        self.strip.go_on_asked.connect(controller.go_on)
        self.strip.restack_asked.connect(controller.restack)
        ribbon.chosen.connect(model.choose)
        ribbon.wanted.connect(self.look_at)
        ribbon.limit_tried.connect(controller.try_limit)
        ribbon.menu.connect(self._decisions_menu)
        self.bar.apply_asked.connect(controller.apply_trial)
        self.bar.drop_asked.connect(controller.trial.drop)
        self.bar.measure_chosen.connect(partial(self._choices.keep_text, "measure"))
        controller.opened.connect(self._opened)
        controller.failed.connect(self._failed)
        for one in (controller.refused, self.beside.refused):
            one.connect(self._notice)
        controller.finished.connect(self._finished)
        controller.working_changed.connect(self._show_where)
        model.changed.connect(self._show_where)
        model.chosen_changed.connect(self._show_where)
        model.current_changed.connect(self._show_where)
        for may in (
            controller.deciding.undo_stack.canUndoChanged,
            controller.deciding.undo_stack.canRedoChanged,
        ):
            may.connect(self._show_where)

    def go_to(self, step: str) -> None:
        """Show the page of a step.

        Parameters
        ----------
        step : str
            One of `STEPS`.
        """
        opened = self.controller.session is not None
        if opened:
            self.pages.show_step(step)
        else:
            self.pages.show_start()
        self.steps.show_step(step if opened else NIGHT)

    def add_nights(self, paths: Sequence[Path]) -> None:
        """Take folders that were dropped or chosen.

        Parameters
        ----------
        paths : sequence of Path
            They join the nights that are worked on already.
        """
        if self._works_on("more nights can be added"):
            return
        session = self.controller.session
        if self.pages.currentWidget() is not self.start:
            self.start.forget()
            if session is not None:
                self.start.take_up(session.state.folders, session.out)
        self.pages.show_start()
        self.start.add(paths)

    @Slot()
    def another_night(self) -> None:
        """Show the start page, empty."""
        if self._works_on("another night can be opened"):
            return
        self.start.forget()
        self.start.show_recent(self._choices.recent())
        self.pages.show_start()

    def decide(self, decision: Decision | None) -> None:
        """Decide on the chosen subs, or on the current one.

        Parameters
        ----------
        decision : Decision or None
            None hands them back to the rules.
        """
        rows = self.controller.model.targets()
        self.controller.deciding.decide([row.path for row in rows], decision)

    def look_at(self, path: Path) -> None:
        """Show a sub in Review.

        Parameters
        ----------
        path : Path
            The sub.
        """
        self.controller.model.set_current(path)
        self.go_to(REVIEW)

    @Slot()
    def stop(self) -> None:
        """Stop the work that is under way."""
        if self.controller.working:
            self.controller.cancel()
            self.strip.tell_stopping()

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:  # noqa: N802 - Qt's name
        """Take what comes from a file manager."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:  # noqa: N802 - Qt's name
        """Take dropped folders."""
        urls = event.mimeData().urls()
        paths = [Path(url.toLocalFile()) for url in urls if url.isLocalFile()]
        event.acceptProposedAction()
        if paths:
            self.add_nights(paths)
        else:
            self._notice("That is nothing on this computer’s disks. Drop a night’s folder.")

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802 - Qt's name
        """Ask once while work is under way; it ends before the window does."""
        if self.controller.working and not self._closing and not self._sure_to_close():
            event.ignore()
            return
        self._closing = True
        self._choices.keep_geometry(self.saveGeometry())
        self.controller.close()
        self._tidier.end()
        event.accept()

    def _sure_to_close(self) -> bool:
        return ask_to_close(self)

    @Slot(object, object)
    def _begin(self, folders: Sequence[Path], out: Path) -> None:
        self._notice("")
        if self._works_on("another night can be opened"):
            return
        self.controller.open(folders, out)

    @Slot()
    def _opened(self) -> None:
        self.go_to(FRAMES)

    @Slot(str)
    def _failed(self, words: str) -> None:
        if self.controller.session is None:
            self.strip.forget()
            self.start.say(words)
            self.pages.show_start()

    @Slot()
    def _finished(self) -> None:
        if self.pages.currentWidget() in (self.frames, self.start):
            self.go_to(NIGHT)

    @Slot(object)
    def _look_at_finding(self, finding: Finding) -> None:
        self.controller.findings.mark(finding)
        self.go_to(FINDINGS)

    @Slot()
    def _show_marked(self) -> None:
        """Show in the ribbon when the marked finding was, and the measure that shows it."""
        findings, marked = self.controller.findings, self.controller.findings.marked
        self.bar.ribbon.mark_time(findings.span_of(marked) if marked is not None else None)
        names = marked.measures if marked is not None else ()
        shown = (name for name in names if self.bar.offers(name))
        self.bar.show_measure(next(shown, self.bar.ribbon.measure.name))

    @Slot()
    def _count_findings(self) -> None:
        self.steps.show_count(FINDINGS, len(self.controller.findings.found or ()))

    @Slot(object)
    def _decide_current(self, decision: Decision | None) -> None:
        current = self.controller.model.current
        if current is not None:
            self.controller.deciding.decide([current], decision)

    def step(self, by: int) -> None:
        """Show another sub in Review.

        Parameters
        ----------
        by : int
            How many further; below 0 back.
        """
        if self.controller.session is not None:
            self.go_to(REVIEW)
            self.review.step(by)

    @Slot(QPoint)
    def _decisions_menu(self, place: QPoint) -> None:
        menu = QMenu(self)
        for words in DECISIONS:
            menu.addAction(self.actions_by_words[words])
        menu.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        menu.popup(place)

    @Slot()
    def _show_where(self) -> None:
        controller = self.controller
        self._tidier.busy = controller.working
        self.frames.every.set_busy(busy=controller.working)
        self.steps.show_output(controller.out)
        self.bar.setVisible(controller.session is not None)
        enable_commands(self.actions_by_words, controller)

    def _works_on(self, then: str) -> bool:
        """Say what can be done only when the work under way has stopped."""
        if self.controller.working:
            self._notice(f"Stop the work first; then {then}.")
        return self.controller.working

    def _notice(self, words: str) -> None:
        self.notice.setText(words)
        self.notice.setVisible(bool(words))

    @Slot()
    def open_dialog(self) -> None:
        """Let a night's folder be chosen."""
        if self._works_on("another night can be opened"):
            return
        if self.pages.currentWidget() is not self.start:
            self.another_night()
        self.start.ask_for_folder()

    def show_keys(self) -> None:
        """Show the keyboard sheet."""
        self.beside.show_page("Keys", keys_text(self.actions_by_words.values()))

    def _restore(self) -> None:
        geometry = self._choices.geometry()
        if geometry is None or not self.restoreGeometry(geometry):
            self.resize(1240, 860)
        self.bar.show_measure(self._choices.text("measure", "fwhm_px"))
        self.start.show_recent(self._choices.recent())
