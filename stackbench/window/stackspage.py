"""Each filter's stack, with its layers, and what each sub added."""

from functools import partial

from PySide6.QtCore import Qt, Slot
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QButtonGroup, QVBoxLayout, QWidget

from stackbench.job.difference import Difference, Doubt
from stackbench.job.noisecurve import NoiseCurve
from stackbench.job.stacking import FinishedStack
from stackbench.window.controller import Controller
from stackbench.window.noiseview import NoiseView
from stackbench.window.parts import button, label
from stackbench.window.productpage import ProductView, shown_product
from stackbench.window.stackwords import difference_words, noise_words, stack_words

LAYERS = (
    ("Stack", "", "The mean of what was kept (1)"),
    ("Coverage", "COVERAGE", "How many subs every pixel has; black is none (2)"),
    ("Too dark", "CLIPLOW", "How often a pixel was rejected for being too dark (3)"),
    ("Too bright", "CLIPHIGH", "How often a pixel was rejected for being too bright (4)"),
    ("Noise", "NOISE", "The uncertainty of every pixel (5)"),
)
DIFFERENCE = len(LAYERS)
_DIFFERENCE_TIP = "What the doubtful subs do: the stack with them less the stack without them (6)"


class StacksPage(QWidget):
    """Shows the stacks; sets nothing.

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
        self.setAccessibleName("Stacks")
        self.products = ProductView(
            controller,
            "Stacks",
            "Stacks come when all subs are measured and judged.",
            "Nothing was stacked; the Frames page tells why.",
        )
        self._layer = 0
        self._doubt: Doubt | None = None
        self._asked: set[tuple[str, str]] = set()
        self.layers = QButtonGroup(self)
        tips = [(words, tip) for words, _, tip in LAYERS]
        for number, (words, tip) in enumerate([*tips, ("Difference", _DIFFERENCE_TIP)]):
            one = button(words, tip)
            one.setCheckable(True)
            one.setProperty("part", "toggle")
            one.setChecked(number == 0)
            self.layers.addButton(one, number)
            self.products.bar.addWidget(one)
            shortcut = QShortcut(QKeySequence(str(number + 1)), self)
            shortcut.activated.connect(one.click)
        self.products.bar.addStretch()
        self.stop = button("Stop", "Stop working out the difference")
        self.stop.hide()
        self.products.below.addWidget(self.stop, 0, Qt.AlignmentFlag.AlignLeft)
        self.noise = NoiseView()
        self.noise_words = label("", "muted")
        self.products.left.addWidget(self.noise, 3)
        self.products.left.addWidget(self.noise_words)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.products)
        self._connect()
        self.refresh()

    def _connect(self) -> None:
        self.layers.idClicked.connect(self._choose_layer)
        self.stop.clicked.connect(self._stop)
        self.products.picked.connect(self._show)
        self._errands.answered.connect(self._answered)
        self._errands.failed.connect(self._failed)
        self._errands.advanced.connect(self._advanced)
        # it may be wanted again by now
        self._errands.dropped.connect(self._show)
        self._model.changed.connect(self.refresh)
        self._controller.working_changed.connect(self._show)

    @Slot()
    def refresh(self) -> None:
        """List the stacks, if they can be seen."""
        if not self.isVisible():
            self._show()  # gives up what is not wanted any more
            return
        state = self._model.state
        stale = {state.groups[number].group for number in state.stale}
        names = []
        for stack in state.stacks:
            group = stack.recipe.group
            old = "\nout of date" if group in stale else ""
            names.append(f"{group.filter or 'no filter'}  {group.target}{old}")
        self.products.show_items(names)
        for one in self.layers.buttons():
            one.setEnabled(bool(names))
        for part in (self.noise, self.noise_words):
            part.setVisible(bool(names))
        if not names:
            self.products.words.setText("")
        self._show()

    @Slot(int)
    def _choose_layer(self, layer: int) -> None:
        self._layer = layer
        self._show()

    @Slot()
    def _stop(self) -> None:
        self.layers.button(0).click()

    def _stack(self) -> FinishedStack | None:
        stacks, number = self._model.state.stacks, self.products.number
        return stacks[number] if 0 <= number < len(stacks) else None

    @Slot()
    def _show(self) -> None:
        self._doubt = None  # also where nothing is shown: no count is written over that
        stack = self._stack()
        if stack is None or self._controller.working:
            self._drop_all_but()
        if stack is None or not self.isVisible():
            return
        self._show_noise(stack)
        if self._layer == DIFFERENCE:
            self._show_difference(stack)
        else:
            _, extension, tip = LAYERS[self._layer]
            shown = shown_product(stack.path, version=stack.recipe.key, extension=extension)
            self.products.show_picture(shown)
            numbers = stack_words(stack)
            self.products.words.setText(f"{tip[:-4]}.  {numbers}" if extension else numbers)
        self._drop_all_but(
            ("noise", stack.recipe.key),
            ("difference", self._doubt.key if self._doubt is not None else ""),
        )

    def _show_noise(self, stack: FinishedStack) -> None:
        key = ("noise", stack.recipe.key)
        session = self._controller.session
        if session is not None and not self._controller.working:
            desk, recipe = session.products, stack.recipe
            self._asked.add(key)
            self._errands.ask(
                key, lambda progress, stop: desk.noise_curve(recipe, progress=progress, stop=stop)
            )
        curve = self._errands.get(key)
        self.noise_words.setText("")
        if isinstance(curve, NoiseCurve):
            self.noise.show_curve(curve)
            self.noise_words.setText(noise_words(curve, stack.recipe))
        elif self._errands.known(key):
            self.noise.show_words("The middle of the stack has no noise to measure.")
        elif self._controller.working:
            self.noise.show_words("Measured when the work is done.")
        else:
            self.noise.show_words("Measuring…")

    def _show_difference(self, stack: FinishedStack) -> None:
        session, state = self._controller.session, self._model.state
        judged = next((one for one in state.groups if one.group == stack.recipe.group), None)
        doubt = session.products.doubt(judged) if session and judged else None
        self._doubt = doubt
        self.products.words.setText(_DIFFERENCE_TIP[:-4] + ".")
        self.stop.hide()
        if session is None or doubt is None:
            self.products.show_words(
                "No sub of this filter is rejected or in doubt, or there is none besides: "
                "there is no difference to show."
            )
            return
        key = ("difference", doubt.key)
        found = self._errands.get(key)
        if isinstance(found, Difference):
            self.products.show_picture(
                shown_product(found.path, version=doubt.key, scale=found.scale)
            )
            self.products.words.setText(difference_words(doubt, found))
        elif self._controller.working:
            self.products.show_words("The difference is worked out when the work is done.")
        else:
            self.products.show_words("Stacking with the doubtful subs and without them…")
            self.stop.show()
            self._asked.add(key)
            ask = partial(session.products.difference, doubt, state.stacks)
            self._errands.ask(key, lambda progress, stop: ask(progress=progress, stop=stop))

    def _drop_all_but(self, *keys: tuple[str, str]) -> None:
        """Give up what was asked for another stack, or before other work began."""
        for key in self._asked - set(keys):
            self._errands.drop(key)
        self._asked &= set(keys)
        if not any(key[0] == "difference" and self._errands.asked(key) for key in self._asked):
            self.stop.hide()

    @Slot(object)
    def _answered(self, key: object) -> None:
        if key in self._asked:
            self._show()

    @Slot(object, str)
    def _failed(self, key: object, words: str) -> None:
        if key not in self._asked or not isinstance(key, tuple):
            return
        if key[0] == "noise":
            self.noise.show_words(words)
        elif self._layer == DIFFERENCE:
            self.products.show_words(words)
            self.stop.hide()

    @Slot(object, int, int)
    def _advanced(self, key: object, done: int, total: int) -> None:
        doubt = self._doubt
        if doubt is not None and key == ("difference", doubt.key):
            self.products.show_words(
                f"Stacking with the doubtful subs and without them: {done} of {total} subs"
            )

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Show what is known by now."""
        super().showEvent(event)  # type: ignore[arg-type]
        self.refresh()
