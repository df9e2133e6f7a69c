"""All values of a measure on one line, with one of them and the limit marked."""

from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QSizePolicy, QWidget

from stackbench.window.look import look_of

_HEIGHT = 17
_MARGIN = 6.0
# Beyond the limit the line is drawn broken; colour is not all that tells.
_DASHES = [2.0, 2.0]


class ValueStrip(QWidget):
    """Draws values as strokes from low to high; the sub's own as a wedge above them."""

    def __init__(self) -> None:
        super().__init__()
        self._values: Sequence[float] = ()
        self._own: float | None = None
        self._limit: float | None = None
        self._bad_above = True
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setMinimumWidth(70)

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for a line's height."""
        return QSize(180, _HEIGHT)

    def show_values(
        self,
        values: Sequence[float],
        *,
        own: float | None,
        limit: float | None,
        bad_above: bool,
        words: str,
    ) -> None:
        """Show values.

        Parameters
        ----------
        values : sequence of float
            In ascending order.
        own : float or None
            The one that is marked.
        limit : float or None
            The limit.
        bad_above : bool
            On which side of the limit values are bad.
        words : str
            The same told in words.
        """
        self._values, self._own, self._limit = values, own, limit
        self._bad_above = bad_above
        self.setToolTip(words)
        self.setAccessibleName(words)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Draw."""
        values = self._values
        known = [*values[:1], *values[-1:], *([] if self._limit is None else [self._limit])]
        if not known:
            return
        low, high = min(known), max(known)
        room = self.width() - 2 * _MARGIN
        look = look_of(self.palette())
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)

        def place(value: float) -> float:
            return _MARGIN + room * ((value - low) / (high - low) if high > low else 0.5)

        base = _HEIGHT - 3.5
        good, bad = QPen(QColor(look.muted), 1.0), QPen(QColor(look.muted), 1.0)
        bad.setDashPattern(_DASHES)
        edge = self.width() - _MARGIN if self._bad_above else _MARGIN
        turn = edge if self._limit is None else place(self._limit)
        left, right = _MARGIN, self.width() - _MARGIN
        painter.setPen(good if self._bad_above else bad)
        painter.drawLine(QPointF(left, base), QPointF(turn, base))
        painter.setPen(bad if self._bad_above else good)
        painter.drawLine(QPointF(turn, base), QPointF(right, base))
        painter.setPen(QPen(QColor(look.muted), 1.0))
        strokes = QPainterPath()
        for x in map(place, values):
            strokes.moveTo(x, base - 6)
            strokes.lineTo(x, base)
        painter.drawPath(strokes)
        if self._limit is not None:
            painter.setPen(QPen(QColor(look.ink), 2.0))
            painter.drawLine(QPointF(turn, base - 9), QPointF(turn, base + 3))
        if self._own is not None:
            x = min(max(place(self._own), left), right)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(QColor(look.accent))
            painter.drawPolygon(
                QPolygonF([QPointF(x - 4.5, 0), QPointF(x + 4.5, 0), QPointF(x, 7)])
            )
            painter.drawRect(QRectF(x - 1, 6, 2, base - 6))
        painter.end()
