"""The ribbon with what belongs to it: which measure, the moved limit, the key to the forms."""

from PySide6.QtCore import QRectF, QSize, Qt, Signal, Slot
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QResizeEvent, QStandardItemModel
from PySide6.QtWidgets import (
    QComboBox,
    QFrame,
    QHBoxLayout,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from stackbench.frames.words import counted
from stackbench.review.verdicts import Decision
from stackbench.window.look import look_of
from stackbench.window.measures import MEASURES
from stackbench.window.night import NightModel
from stackbench.window.parts import ElidedLabel, button
from stackbench.window.ribbon import Ribbon
from stackbench.window.ribboncells import Cell, draw_cells
from stackbench.window.ribboncurve import why_unknown
from stackbench.window.ribbonroom import Box

_KEY: tuple[tuple[str, dict[str, bool]], ...] = (
    ("kept", {}),
    ("rejected", {"rejected": True}),
    ("in doubt", {"doubtful": True}),
    ("by hand", {"by_hand": True}),
    ("not judged", {"judged": False}),
)


_ROOM_FOR_ALL = 1150


class RibbonBar(QFrame):
    """Holds the ribbon; asks to apply a moved limit or to put it back.

    Parameters
    ----------
    model : NightModel
        The night.
    """

    apply_asked = Signal()
    drop_asked = Signal()
    measure_chosen = Signal(str)

    def __init__(self, model: NightModel) -> None:
        super().__init__()
        self._model = model
        self.setProperty("part", "bar")
        self.ribbon = Ribbon(model)
        self.measure = QComboBox()
        self.measure.setAccessibleName("Measure under the ribbon")
        self.measure.setToolTip("Which measure is drawn under the ribbon")
        for one in MEASURES:
            self.measure.addItem(one.words, one.name)
        self._words = ElidedLabel()
        self._words.setAccessibleDescription("What a moved limit would change")
        self.apply = button("Judge by it", "Judge by the moved limit from now on", main=True)
        self.drop = button("Put back", "Leave the limit where it was")
        self._key = FormKey()
        head = QHBoxLayout()
        head.setSpacing(10)
        head.addWidget(self.measure)
        head.addWidget(self._words, 1)
        head.addWidget(self.apply)
        head.addWidget(self.drop)
        head.addWidget(self._key)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(12, 8, 12, 6)
        layout.setSpacing(6)
        layout.addLayout(head)
        layout.addWidget(self.ribbon)
        self.measure.currentIndexChanged.connect(self._show)
        self.measure.activated.connect(self._choose)
        self.apply.clicked.connect(self.apply_asked)
        self.drop.clicked.connect(self.drop_asked)
        model.trial_changed.connect(self.refresh)
        model.changed.connect(self.refresh)
        model.chosen_changed.connect(self.refresh)
        model.changed.connect(self._grey_unknown)
        self._grey_unknown()
        self.refresh()

    def show_measure(self, name: str) -> None:
        """Draw a measure.

        Parameters
        ----------
        name : str
            Its field's name.
        """
        index = self.measure.findData(name)
        if index >= 0:
            self.measure.setCurrentIndex(index)

    def offers(self, name: str) -> bool:
        """Tell whether a measure can be drawn.

        Parameters
        ----------
        name : str
            Its field's name.

        Returns
        -------
        bool
            False where it is known for no sub.
        """
        return self.measure.findData(name) >= 0 and self._model.knows(name)

    @Slot()
    def _grey_unknown(self) -> None:
        """Grey the measures that are known for no sub, and say why."""
        items = self.measure.model()
        for index, one in enumerate(MEASURES):
            known = self._model.knows(one.name)
            why = "" if known else f"{one.words}: {why_unknown(one, self._model)}"
            self.measure.setItemData(index, why, Qt.ItemDataRole.ToolTipRole)
            if isinstance(items, QStandardItemModel):
                items.item(index).setEnabled(known)

    @Slot()
    def refresh(self) -> None:
        """Say what a moved limit would change, or what is chosen."""
        trying = bool(self._model.trial_lanes)
        self.apply.setVisible(trying)
        self.drop.setVisible(trying)
        # where there is not room for both, the words come first
        saying = trying or bool(self._model.chosen)
        self._key.setVisible(not saying or self.width() >= _ROOM_FOR_ALL)
        if trying:
            self._words.setText(self._trial_words())
        elif self._model.chosen:
            self._words.setText(
                f"{counted(len(self._model.chosen), 'sub')} chosen: K keeps, R rejects, "
                "H hands back to the rules"
            )
        else:
            self._words.setText("")

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Make room for what is said."""
        super().resizeEvent(event)
        self.refresh()

    def _trial_words(self) -> str:
        changes = self._model.trial_changes.values()
        if not changes:
            return "The moved limit would turn no verdict."
        out = sum(change.after.decision is Decision.REJECT for change in changes)
        parts = []
        if out:
            parts.append(f"reject {counted(out, 'more sub') if out == 1 else f'{out} more subs'}")
        if len(changes) - out:
            parts.append(f"keep {counted(len(changes) - out, 'sub')} rejected now")
        return f"The moved limit would {' and '.join(parts)}."

    @Slot(int)
    def _show(self, index: int) -> None:
        self.ribbon.show_measure(MEASURES[index])

    @Slot(int)
    def _choose(self, index: int) -> None:
        self.measure_chosen.emit(MEASURES[index].name)


class FormKey(QWidget):
    """Tells which form of a cell means what."""

    def __init__(self) -> None:
        super().__init__()
        self.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(
            "Full block: kept. Low hollow block with a stroke: rejected. Notch: in doubt. "
            "Bar above: by hand. Thin line: not judged."
        )

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for room for all forms with their words."""
        metrics = self.fontMetrics()
        return QSize(sum(metrics.horizontalAdvance(words) + 36 for words, _ in _KEY), 24)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Draw."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        look = look_of(self.palette())
        x = 4.0
        for words, states in _KEY:
            cell = Cell(box=Box(x, 3, 12, 18), hue=QColor(look.muted), **states)
            draw_cells(painter, look, [cell])
            painter.setPen(QColor(look.muted))
            width = self.fontMetrics().horizontalAdvance(words)
            painter.drawText(QRectF(x + 18, 0, width + 2, 24), 0x0080, words)
            x += width + 36
        painter.end()
