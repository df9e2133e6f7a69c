"""Axes for small plots: a room with a scale at the left and below."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QWidget

from stackbench.window.look import Look, look_of

_MARGIN = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """Which values an axis shows, by their logarithms or not, and which are written."""

    low: float
    high: float
    log: bool = False
    ticks: tuple[tuple[float, str], ...] = ()

    def part(self, value: float) -> float:
        """Tell where a value lies.

        Parameters
        ----------
        value : float
            Above 0 on an axis of logarithms.

        Returns
        -------
        float
            0 at the low end, 1 at the high one.
        """
        if self.log:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)


class Plot(QWidget):
    """A widget with two axes; the one made of it draws into the room between them.

    Parameters
    ----------
    name : str
        What it shows, for those who do not see it; also written above it.
    """

    def __init__(self, name: str) -> None:
        super().__init__()
        self._name = name
        self._words = ""
        self._axes: tuple[Axis, Axis] | None = None
        self.setAccessibleName(name)
        self.setMinimumSize(180, 120)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)

    @property
    def words(self) -> str:
        """What is written in place of the plot.

        Returns
        -------
        str
            Empty while there is something to plot.
        """
        return self._words

    def show_words(self, words: str) -> None:
        """Write words in place of the plot.

        Parameters
        ----------
        words : str
            Why there is none.
        """
        self._words, self._axes = words, None
        self.setAccessibleDescription(words)
        self.update()

    def show_axes(self, x: Axis, y: Axis, *, told: str) -> None:
        """Show a plot.

        Parameters
        ----------
        x, y : Axis
            The axes.
        told : str
            In words what is to be seen.
        """
        self._words, self._axes = "", (x, y)
        self.setAccessibleDescription(told)
        self.setToolTip(told)
        self.update()

    def place(self, x: float, y: float) -> QPointF:
        """Tell where a point lies in the widget.

        Parameters
        ----------
        x, y : float
            Values of the axes.

        Returns
        -------
        QPointF
            In pixels.
        """
        if self._axes is None:
            return QPointF()
        room = self.room()
        across, up = self._axes[0].part(x), self._axes[1].part(y)
        return QPointF(room.left() + across * room.width(), room.bottom() - up * room.height())

    def room(self) -> QRectF:
        """Tell where is drawn.

        Returns
        -------
        QRectF
            Between the axes.
        """
        metrics = self.fontMetrics()
        ticks: Sequence[tuple[float, str]] = self._axes[1].ticks if self._axes else ()
        left = max((metrics.horizontalAdvance(words) for _, words in ticks), default=0) + 6
        high = metrics.height()
        return QRectF(self.rect()).adjusted(
            _MARGIN + left, _MARGIN + high + 4, -_MARGIN - 6, -_MARGIN - high - 4
        )

    def draw(self, painter: QPainter, look: Look) -> None:
        """Draw into the room; to be overridden.

        Parameters
        ----------
        painter : QPainter
            Clipped to nothing; `place` tells where values lie.
        look : Look
            The colours.
        """
        raise NotImplementedError

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Draw the axes and what lies between them."""
        look = look_of(self.palette())
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        frame = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        painter.setPen(QPen(QColor(look.line), 1))
        painter.setBrush(QColor(look.panel))
        painter.drawRoundedRect(frame, 6, 6)
        painter.setPen(QColor(look.ink))
        inside = frame.adjusted(_MARGIN, _MARGIN - 2, -_MARGIN, -_MARGIN)
        flags = Qt.AlignmentFlag
        metrics = self.fontMetrics()
        title = metrics.elidedText(
            self._name, Qt.TextElideMode.ElideRight, math.floor(inside.width())
        )
        painter.drawText(inside, flags.AlignTop | flags.AlignLeft, title)
        painter.setPen(QColor(look.muted))
        if self._axes is None:
            wrapped = flags.AlignCenter | Qt.TextFlag.TextWordWrap
            painter.drawText(inside, wrapped, self._words)
        else:
            self._draw_axes(painter, look, *self._axes)
            self.draw(painter, look)
        painter.end()

    def _draw_axes(self, painter: QPainter, look: Look, x: Axis, y: Axis) -> None:
        room = self.room()
        flags = Qt.AlignmentFlag
        high = self.fontMetrics().height()
        painter.fillRect(room, QColor(look.well))
        for value, words in y.ticks:
            at = self.place(x.low, value).y()
            painter.setPen(QPen(QColor(look.line), 1))
            painter.drawLine(QPointF(room.left(), at), QPointF(room.right(), at))
            painter.setPen(QColor(look.muted))
            box = QRectF(0, at - high / 2, room.left() - 4, high)
            painter.drawText(box, flags.AlignRight | flags.AlignVCenter, words)
        taken = -math.inf
        for value, words in x.ticks:
            at = self.place(value, y.low).x()
            wide = self.fontMetrics().horizontalAdvance(words)
            left = min(max(at - wide / 2, room.left() - 4), self.width() - wide - 4.0)
            if left < taken:
                continue  # no room for it beside the one before
            taken = left + wide + 6
            box = QRectF(left, room.bottom() + 3, wide + 1, high)
            painter.drawText(box, flags.AlignLeft | flags.AlignTop, words)


def round_steps(low: float, high: float, *, most: int = 4) -> tuple[float, ...]:
    """Choose round values within a range.

    Parameters
    ----------
    low, high : float
        The range.
    most : int
        How many steps it is to be cut into at most.

    Returns
    -------
    tuple of float
        Multiples of 1, 2 or 5 times a power of ten.
    """
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * one for one in (1, 2, 5, 10) if power * one >= rough * (1 - 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(number * step for number in range(first, last + 1))
