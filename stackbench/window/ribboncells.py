"""How a sub's cell is drawn: its state shows in its form, not in its colour."""

from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from stackbench.window.look import Look


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What a cell must tell.

    Kept is a full block, rejected a low hollow one with a stroke through it,
    not yet judged a thin line. In doubt it has a notch at the top, by hand a
    bar above it. Chosen it stands in a thin dashed frame on a tint, current in
    a firm frame. `would_turn` frames a verdict that a moved limit would turn.
    """

    hue: QColor
    judged: bool = True
    rejected: bool = False
    by_hand: bool = False
    doubtful: bool = False
    chosen: bool = False
    current: bool = False
    would_turn: bool = False


def draw_cell(painter: QPainter, look: Look, rect: QRectF, cell: Cell) -> None:
    """Draw a cell.

    Parameters
    ----------
    painter : QPainter
        Where to.
    look : Look
        The colours.
    rect : QRectF
        The whole cell.
    cell : Cell
        What it must tell.
    """
    painter.save()
    if cell.chosen:
        around = rect.adjusted(-1, -3, 1, 3)
        painter.fillRect(around, _faint(look.accent))
        painter.setPen(QPen(QColor(look.accent), 1, Qt.PenStyle.DashLine))
        painter.drawRect(around)
    body = rect.adjusted(0, 4, 0, 0)
    if not cell.judged:
        painter.fillRect(
            QRectF(body.left(), body.center().y() - 1.5, body.width(), 3), _half(cell.hue)
        )
    elif cell.rejected:
        low = body.adjusted(0.5, body.height() * 0.45, -0.5, -0.5)
        painter.setPen(QPen(cell.hue, 1.2))
        painter.drawRect(low)
        painter.drawLine(low.bottomLeft(), low.topRight())
    else:
        painter.fillRect(body, cell.hue)
    if cell.judged and cell.doubtful:
        _draw_notch(painter, look, body, cell)
    if cell.by_hand:
        painter.fillRect(QRectF(rect.left(), rect.top() - 1, rect.width(), 3), QColor(look.ink))
    if cell.would_turn:
        painter.setPen(QPen(QColor(look.warn), 2))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(rect.adjusted(-1, -1, 1, 2))
    if cell.current:
        painter.setPen(QPen(QColor(look.ink), 2))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawRect(rect.adjusted(-2, -2, 2, 2))
    painter.restore()


def _draw_notch(painter: QPainter, look: Look, body: QRectF, cell: Cell) -> None:
    middle = body.center().x()
    reach = min(4.0, max(body.width() / 2, 2.0))
    top = body.top()
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(look.well) if not cell.rejected else cell.hue)
    if cell.rejected:
        top += body.height() * 0.45 - reach - 2
    painter.drawPolygon(
        QPolygonF(
            [
                QPointF(middle - reach, top),
                QPointF(middle + reach, top),
                QPointF(middle, top + reach + 1),
            ]
        )
    )


def _half(colour: QColor) -> QColor:
    pale = QColor(colour)
    pale.setAlpha(150)
    return pale


def _faint(colour: str) -> QColor:
    pale = QColor(colour)
    pale.setAlpha(90)
    return pale
