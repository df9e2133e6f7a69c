"""The master frames: picture, numbers, histogram, and the frames that they came from."""

from functools import partial

from PySide6.QtCore import Slot
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QHBoxLayout, QListWidget, QListWidgetItem, QVBoxLayout, QWidget

from stackbench.calibration.phototransfer import MeasuredCamera
from stackbench.calibration.records import CalibrationSet
from stackbench.frames.records import Kind
from stackbench.frames.words import counted
from stackbench.job.mastersheet import MasterSheet
from stackbench.job.overview import times_served
from stackbench.job.shelf import FinishedMaster, Masters
from stackbench.window.controller import Controller
from stackbench.window.factlist import FactList
from stackbench.window.histogramview import HistogramView
from stackbench.window.masterwords import level_marks, master_facts, master_name
from stackbench.window.parts import button, label
from stackbench.window.productpage import ProductView, shown_product

_HIGH = 196


class MastersPage(QWidget):
    """Shows the masters, each as soon as it is made; sets nothing.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    """

    def __init__(self, controller: Controller) -> None:
        super().__init__()
        self._controller = controller
        self._model = controller.model
        self._errands = controller.errands
        self.setAccessibleName("Masters")
        self.products = ProductView(
            controller,
            "Masters",
            "The masters appear here one by one as they are made.",
            "There are no frames to make masters of.",
        )
        self.frames = QListWidget()
        self.frames.setAccessibleName("Frames of this master")
        self.frames.setToolTip("✓ went into the master, ✕ was left out")
        self.frames.setWordWrap(True)
        self._frames_heading = label("Its frames", "muted")
        self.products.left.addWidget(self._frames_heading)
        self.products.left.addWidget(self.frames, 2)
        self.facts = FactList("Numbers of this master")
        self.histogram = HistogramView()
        self._below = QWidget()
        self._below.setFixedHeight(_HIGH)
        below = QHBoxLayout(self._below)
        below.setContentsMargins(0, 0, 0, 0)
        below.setSpacing(12)
        below.addWidget(self.facts, 1)
        below.addWidget(self.histogram, 1)
        self.products.below.addWidget(self._below)
        self.keep = button(
            "Keep in the library",
            "Copy these masters into your master library, for nights without their own (Ctrl+L)",
        )
        self.kept = label("", "muted")
        self.products.left.addWidget(self.keep)
        self.products.left.addWidget(self.kept)
        QShortcut(QKeySequence("Ctrl+L"), self).activated.connect(self.keep.click)
        self.keep.clicked.connect(self._keep_masters)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.products)
        self.products.picked.connect(self._show)
        self._errands.answered.connect(self._answered)
        self._errands.failed.connect(self._failed)
        self._model.changed.connect(self.refresh)
        self.refresh()

    @property
    def masters(self) -> Masters:
        """The masters that are made.

        Returns
        -------
        Masters
            Each with the set that it was made from.
        """
        return self._model.state.masters

    @Slot()
    def refresh(self) -> None:
        """List the masters, if they can be seen."""
        if not self.isVisible():
            return
        self.products.show_items([master_name(one, made.facts) for one, made in self.masters])
        key = self._keep_key()
        if not (self._errands.known(key) or self._errands.asked(key)):
            self.kept.setText("")  # it was said of other masters
        for part in (self.frames, self._frames_heading, self._below, self.keep):
            part.setVisible(bool(self.masters))
        self.products.words.setText("")
        self._show(self.products.number)

    @Slot(int)
    def _show(self, number: int) -> None:
        if not self.isVisible() or not 0 <= number < len(self.masters):
            return
        one, master = self.masters[number]
        self._show_frames(one, master)
        problems = [f"{p.what}. {p.why}" for p in master.facts.problems if p.path is None]
        self.products.words.setText(" ".join(problems))
        self.products.words.setVisible(bool(problems))
        self.products.show_picture(shown_product(master.path, version=master.key))
        session = self._controller.session
        if session is not None:
            ask = partial(session.products.sheet, one, master)
            self._errands.ask(self._key(master), lambda _progress, _stop: ask())
        self._show_sheet(one, master)

    def _key(self, master: FinishedMaster) -> tuple[str, str, bool]:
        # the camera's numbers are known when all masters are made
        return "sheet", master.key, self._model.state.shelf is not None

    def _show_sheet(self, one: CalibrationSet, master: FinishedMaster) -> None:
        answer = self._errands.get(self._key(master))
        sheet: MasterSheet | None = None
        camera: MeasuredCamera | None = None
        if isinstance(answer, tuple):
            sheet, camera = answer
        self.facts.show_facts(master_facts(one, master.facts, sheet, camera, self._serves(one)))
        if sheet is None:
            self.histogram.show_words("Counting…")
        elif sheet.histogram is None:
            self.histogram.show_words("No pixel has a value.")
        else:
            unit = "of the median" if one.kind is Kind.FLAT else "ADU"
            marks = level_marks(sheet)
            self.histogram.show_histogram(sheet.histogram, marks, unit)

    def _show_frames(self, one: CalibrationSet, master: FinishedMaster) -> None:
        dropped = {left.path: left.reason for left in master.facts.dropped}
        unread = {problem.path: problem.why for problem in self._model.state.problems}
        used = set(master.facts.paths)
        left_out = [frame.path for frame in one.frames if frame.path not in used]
        self.frames.clear()
        for path in (*left_out, *master.facts.paths):
            words = f"✓  {path.name}"
            if path not in used:
                why = dropped.get(path) or unread.get(path) or "it could not be read"
                words = f"✕  {path.name}: left out, {why}"
            item = QListWidgetItem(words)
            item.setToolTip(f"{path}\n{words[3:]}" if path not in used else str(path))
            self.frames.addItem(item)

    def _serves(self, one: CalibrationSet) -> str:
        overview = self._model.state.overview
        if overview is None:
            return ""
        plan = overview.plan
        lights = (frame for group in overview.groups for frame in group.group.frames)
        flats = (frame for a_set in plan.sets if a_set.kind is Kind.FLAT for frame in a_set.frames)
        counts = (
            (times_served(plan.servings[frame.path] for frame in served)[one], noun)
            for served, noun in ((lights, "light"), (flats, "flat"))
        )
        return " and ".join(counted(count, noun) for count, noun in counts if count)

    @Slot()
    def _keep_masters(self) -> None:
        session = self._controller.session
        # copied once for each set of masters: asking again says the same
        key = self._keep_key()
        if session is None or self._errands.known(key):
            return
        self.kept.setText("Copying…")
        self._errands.ask(key, lambda _progress, _stop: session.keep_masters())

    def _keep_key(self) -> tuple[str, tuple[str, ...]]:
        return "keep", tuple(master.key for _, master in self.masters)

    @Slot(object)
    def _answered(self, key: object) -> None:
        if key == self._keep_key():
            answer = self._errands.get(key)
            if isinstance(answer, tuple):
                added, known = answer
                self.kept.setText(f"{counted(added, 'master')} added, {known} there already.")
            return
        number = self.products.number
        if 0 <= number < len(self.masters) and key == self._key(self.masters[number][1]):
            self._show_sheet(*self.masters[number])

    @Slot(object, str)
    def _failed(self, key: object, words: str) -> None:
        if key == self._keep_key():
            self.kept.setText(words)
            return
        number = self.products.number
        if 0 <= number < len(self.masters) and key == self._key(self.masters[number][1]):
            self.histogram.show_words(words)

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Show what is known by now."""
        super().showEvent(event)  # type: ignore[arg-type]
        self.refresh()
