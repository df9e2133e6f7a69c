"""Each filter's stack, with its layers."""

from functools import partial

from PySide6.QtCore import Slot
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QButtonGroup, QVBoxLayout, QWidget

from stackbench.frames.words import counted, duration
from stackbench.job.pictures import product_picture
from stackbench.job.stacking import FinishedStack
from stackbench.window.controller import Controller
from stackbench.window.parts import button
from stackbench.window.productpage import ProductView, Shown

LAYERS = (
    ("Stack", "", "The mean of what was kept (1)"),
    ("Coverage", "COVERAGE", "How many subs every pixel has; black is none (2)"),
    ("Rejected low", "CLIPLOW", "How often a pixel was rejected for being too dark (3)"),
    ("Rejected high", "CLIPHIGH", "How often a pixel was rejected for being too bright (4)"),
    ("Noise", "NOISE", "The uncertainty of every pixel (5)"),
)


class StacksPage(QWidget):
    """Shows the stacks; sets nothing."""

    def __init__(self, controller: Controller, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = controller.model
        self.setAccessibleName("Stacks")
        self.products = ProductView(
            controller, "Stacks", "Stacks come when all subs are measured and judged."
        )
        self._layer = 0
        self.layers = QButtonGroup(self)
        for number, (words, _, tip) in enumerate(LAYERS):
            one = button(words, tip)
            one.setCheckable(True)
            one.setChecked(number == 0)
            self.layers.addButton(one, number)
            self.products.bar.addWidget(one)
            shortcut = QShortcut(QKeySequence(str(number + 1)), self)
            shortcut.activated.connect(one.click)
        self.products.bar.addStretch()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.products)
        self.layers.idClicked.connect(self._choose_layer)
        self.products.picked.connect(self._show)
        self._model.changed.connect(self.refresh)
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """List the stacks."""
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
        if names:
            self._show(self.products.number)
        else:
            self.products.words.setText("")

    @Slot(int)
    def _choose_layer(self, layer: int) -> None:
        self._layer = layer
        self._show(self.products.number)

    @Slot(int)
    def _show(self, number: int) -> None:
        stacks = self._model.state.stacks
        if not 0 <= number < len(stacks):
            return
        stack = stacks[number]
        _, extension, tip = LAYERS[self._layer]
        if self.isVisible():
            key = ("stack", stack.path, stack.recipe.key, extension)
            make = partial(product_picture, stack.path, extension=extension)
            self.products.show_picture(Shown(key=key, make=make))
        self.products.words.setText(
            f"{tip[:-4]}.  {_numbers(stack)}" if extension else _numbers(stack)
        )

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Show the picture that is wanted by now."""
        super().showEvent(event)  # type: ignore[arg-type]
        self._show(self.products.number)


def _numbers(stack: FinishedStack) -> str:
    facts, recipe = stack.facts, stack.recipe
    parts = [f"{counted(len(recipe.subs), 'sub')}, {duration(recipe.exposure_s)}"]
    if facts.noise_adu is not None:
        parts.append(f"noise {facts.noise_adu:.3g} ADU")
    if facts.fwhm_px is not None:
        parts.append(f"FWHM {facts.fwhm_px:.2f} px")
    parts.append(
        f"rejected by {facts.rejection}: {facts.clipped_low + facts.clipped_high:,} values"
    )
    return ", ".join([*parts, *facts.warnings]).replace(",0", "\u202f0") + "."
