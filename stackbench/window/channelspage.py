"""The finished channels, one upon the other, and a quick look in colour."""

from functools import partial

from PySide6.QtCore import QSignalBlocker, Signal, Slot
from PySide6.QtGui import QKeySequence, QShortcut
from PySide6.QtWidgets import QCheckBox, QComboBox, QVBoxLayout, QWidget

from stackbench.job.exporting import FinishedChannel
from stackbench.job.pictures import product_picture
from stackbench.window.controller import Controller
from stackbench.window.parts import button, label
from stackbench.window.places import short
from stackbench.window.productpage import ProductView, Shown

_COLOURS = ("Red", "Green", "Blue")
# Which channels make which colour of the quick look, by preference.
_USUAL = (("R", "SII", "Ha", "L"), ("G", "OIII", "Ha", "L"), ("B", "OIII", "Ha", "L"))
_USUAL_OF_THREE_LINES = ("G", "Ha", "OIII", "L")


class ChannelsPage(QWidget):
    """Shows the channels; asks to open their folder."""

    folder_asked = Signal()

    def __init__(self, controller: Controller, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = controller.model
        self._pictures = controller.pictures
        self.setAccessibleName("Channels")
        self.products = ProductView(
            controller, "Channels", "Channels come when the stacks are made."
        )
        self.colour = QCheckBox("In colour")
        self.colour.setToolTip("Three channels at once, to judge alignment and background (C)")
        self.products.bar.addWidget(self.colour)
        self.choices = []
        for words in _COLOURS:
            choice = QComboBox()
            choice.setAccessibleName(f"Channel for {words.lower()}")
            choice.currentIndexChanged.connect(self._show)
            name = label(words, "muted", wrap=False)
            name.setBuddy(choice)
            self.products.bar.addWidget(name)
            self.products.bar.addWidget(choice)
            self.choices.append(choice)
        self.products.bar.addStretch()
        self.folder = button("Open the folder", "Show the files (Ctrl+Shift+O)", main=True)
        self.products.bar.addWidget(self.folder)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.products)
        for number in range(9):
            shortcut = QShortcut(QKeySequence(str(number + 1)), self)
            shortcut.activated.connect(partial(self.products.pick, number))
        QShortcut(QKeySequence("C"), self).activated.connect(self.colour.toggle)
        self.colour.toggled.connect(self._show)
        self.folder.clicked.connect(self.folder_asked)
        self.products.picked.connect(self._show)
        self._pictures.ready.connect(self._came)
        self._model.changed.connect(self.refresh)
        self.refresh()

    @Slot()
    def refresh(self) -> None:
        """List the channels."""
        channels = self._model.state.channels
        names = [
            f"{number + 1}  {one.stack.recipe.group.filter or 'no filter'}  "
            f"{one.stack.recipe.group.target}"
            for number, one in enumerate(channels)
        ]
        self.products.show_items(names)
        self._offer(channels)
        for one in (self.colour, self.folder, *self.choices):
            one.setEnabled(bool(channels))
        self._show()

    def _offer(self, channels: tuple[FinishedChannel, ...]) -> None:
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
                if names:
                    choice.setCurrentIndex(fitting[0] if fitting else 0)

    def _shown(self, channel: FinishedChannel) -> Shown:
        path = channel.paths.fits
        return Shown(
            key=("channel", path, channel.stack.recipe.key, channel.facts.crop),
            make=partial(product_picture, path),
        )

    @Slot()
    def _show(self) -> None:
        channels, number = self._model.state.channels, self.products.number
        in_colour = self.colour.isChecked() and len(channels) > 0
        for choice in self.choices:
            choice.setEnabled(in_colour)
        if not 0 <= number < len(channels):
            self.products.words.setText("")
            return
        files = channels[number].paths
        self.products.words.setText(
            f"{files.fits.name}, {files.tif.name}, {files.png.name} in {short(files.fits.parent)}"
        )
        if not self.isVisible():
            return
        if not in_colour:
            self.products.show_picture(self._shown(channels[number]))
            return
        self.products.release()
        self._show_colours()

    def _show_colours(self) -> None:
        channels = self._model.state.channels
        wanted = [self._shown(channels[max(choice.currentIndex(), 0)]) for choice in self.choices]
        pictures = [self._pictures.get(one.key) for one in wanted]
        for one in wanted:
            self._pictures.want(one.key, one.make)
        red, green, blue = pictures
        if red is None or green is None or blue is None:
            return
        if len({one.grey.shape for one in (red, green, blue)}) > 1:
            self.products.view.show_words(
                "These channels are of different targets or setups and do not share a grid."
            )
            return
        self.products.view.show_colours(red, green, blue)
        self.products.words.setText(
            "A quick look at alignment and background: every channel is stretched by itself, "
            "so hues mean little."
        )

    @Slot(object)
    def _came(self, key: object) -> None:
        if isinstance(key, tuple) and key[0] == "channel" and self.colour.isChecked():
            self._show()

    def showEvent(self, event: object) -> None:  # noqa: N802 - Qt's name
        """Show the picture that is wanted by now."""
        super().showEvent(event)  # type: ignore[arg-type]
        self._show()
