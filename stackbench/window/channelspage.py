"""The finished channels, one upon the other, a quick look in colour, and the way out."""

from collections.abc import Hashable, Sequence
from functools import partial

from PySide6.QtCore import QSignalBlocker, Signal, Slot
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QCheckBox, QComboBox, QHBoxLayout, QVBoxLayout, QWidget

from stackbench.frames.targets import target_key
from stackbench.job.exporting import FinishedChannel
from stackbench.window.controller import Controller
from stackbench.window.exportdialog import ExportDialog
from stackbench.window.parts import button, label
from stackbench.window.places import short
from stackbench.window.productpage import ProductView, Shown, shown_product

_COLOURS = ("Red", "Green", "Blue")
# Which channels make which colour of the quick look, by preference.
_USUAL = (("R", "SII", "Ha", "L"), ("G", "OIII", "Ha", "L"), ("B", "OIII", "Ha", "L"))
_USUAL_OF_THREE_LINES = ("G", "Ha", "OIII", "L")


class ChannelsPage(QWidget):
    """Shows the channels; asks to open their folder.

    Parameters
    ----------
    controller : Controller
        Owns the session of the night.
    """

    folder_asked = Signal()

    def __init__(self, controller: Controller) -> None:
        super().__init__()
        self._controller = controller
        self._model = controller.model
        self.setAccessibleName("Channels")
        self.products = ProductView(
            controller,
            "Channels",
            "Channels come when the stacks are made.",
            "Without a stack there is no channel.",
        )
        self.colour = QCheckBox("In colour")
        self.colour.setToolTip("Three channels at once, to judge alignment and background (C)")
        self.products.bar.addWidget(self.colour)
        self.choices: list[QComboBox] = []
        self._table = self._make_table()
        self.products.bar.addWidget(self._table)
        self.products.bar.addStretch()
        self.export = button("Export…", "Choose formats and channels to hand over (E)", main=True)
        self.folder = button("Open the folder", "Show the files (Ctrl+Shift+O)")
        self.products.left.addWidget(self.export)
        self.products.left.addWidget(self.folder)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.products)
        self._connect()
        self.refresh()

    def _make_table(self) -> QWidget:
        """Make what chooses a channel for each colour."""
        table = QWidget()
        row = QHBoxLayout(table)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(8)
        # the picture must not move when the table comes and goes
        policy = table.sizePolicy()
        policy.setRetainSizeWhenHidden(True)
        table.setSizePolicy(policy)
        for words in _COLOURS:
            choice = QComboBox()
            choice.setAccessibleName(f"Channel for {words.lower()}")
            choice.setToolTip(f"Which channel is shown in {words.lower()}")
            choice.currentIndexChanged.connect(self._show)
            name = label(words, "muted", wrap=False)
            name.setBuddy(choice)
            row.addWidget(name)
            row.addWidget(choice)
            self.choices.append(choice)
        return table

    def _connect(self) -> None:
        for number in range(9):
            shortcut = QShortcut(QKeySequence(str(number + 1)), self)
            shortcut.activated.connect(partial(self.products.pick, number))
        QShortcut(QKeySequence("C"), self).activated.connect(self.colour.toggle)
        QShortcut(QKeySequence("E"), self).activated.connect(self.export.click)
        self.colour.toggled.connect(self._show)
        self.export.clicked.connect(self.open_export)
        self.folder.clicked.connect(self.folder_asked)
        self.products.picked.connect(self._show)
        self._model.changed.connect(self.refresh)

    @Slot()
    def refresh(self) -> None:
        """List the channels, if they can be seen."""
        if not self.isVisible():
            return
        channels = self._model.state.channels
        names = [
            f"{number + 1}  {one.stack.recipe.group.filter or 'no filter'}  "
            f"{one.stack.recipe.group.target}"
            for number, one in enumerate(channels)
        ]
        self.products.show_items(names)
        for one in (self.colour, self.folder, self.export):
            one.setEnabled(bool(channels))
        self._show()

    @Slot()
    def open_export(self) -> ExportDialog:
        """Let files be chosen and handed over.

        Returns
        -------
        ExportDialog
            It does not hold the window up.
        """
        dialog = ExportDialog(self._controller, self)
        dialog.show()
        return dialog

    def _offer(self, channels: Sequence[FinishedChannel]) -> None:
        """Offer channels for each colour; those chosen before stay where the filters do."""
        filters = [one.stack.recipe.group.filter or "" for one in channels]
        names = [f"{name or 'no filter'}" for name in filters]
        red, green, blue = _USUAL
        if {"SII", "Ha", "OIII"} <= set(filters):
            green = _USUAL_OF_THREE_LINES
        for choice, usual in zip(self.choices, (red, green, blue), strict=True):
            if [choice.itemText(n) for n in range(choice.count())] == names:
                continue
            fitting = [filters.index(name) for name in usual if name in filters]
            with QSignalBlocker(choice):
                choice.clear()
                choice.addItems(names)
                choice.setCurrentIndex(fitting[0] if fitting else 0)

    @Slot()
    def _show(self) -> None:
        channels, number = self._model.state.channels, self.products.number
        in_colour = self.colour.isChecked() and len(channels) > 0
        self._table.setVisible(in_colour)
        if not 0 <= number < len(channels):
            self.products.words.setText("")
            return
        files = channels[number].paths
        self.products.words.setText(
            f"{files.fits.name}, {files.tif.name}, {files.png.name} in {short(files.fits.parent)}"
        )
        if not self.isVisible():
            return
        alike = [one for one in channels if _field(one) == _field(channels[number])]
        self._offer(alike)
        if in_colour:
            self._show_colours([alike[one.currentIndex()] for one in self.choices])
        else:
            self.products.show_picture(_shown(channels[number]))

    def _show_colours(self, channels: Sequence[FinishedChannel]) -> None:
        self.products.show_picture(*map(_shown, channels))
        self.products.words.setText(
            "A quick look at alignment and background: every channel is stretched by itself, "
            "so hues mean little."
        )

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Show what is known by now."""
        super().showEvent(event)  # type: ignore[arg-type]
        self.refresh()


def _field(channel: FinishedChannel) -> Hashable:
    """Give the target and setup, whose channels share a grid."""
    group = channel.stack.recipe.group
    return target_key(group.target), group.setup


def _shown(channel: FinishedChannel) -> Shown:
    return shown_product(channel.paths.fits, version=(channel.stack.recipe.key, channel.facts.crop))
