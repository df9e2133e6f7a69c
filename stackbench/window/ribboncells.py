"""How subs' cells are drawn: their state shows in their form, not in their colour."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QBrush, QColor, QPainter, QPainterPath, QPen

from stackbench.window.look import Look
from stackbench.window.ribbonroom import Box


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Where a cell is, and what it must tell.

    Kept is a full block, rejected a low hollow one with a stroke through it,
    not yet judged a thin line. In doubt it has a notch at the top, by hand a
    bar above it. Chosen it stands in a thin dashed frame on a tint, current in
    a firm frame. `would_turn` frames a verdict that a moved limit would turn.
    """

    box: Box
    hue: QColor
    judged: bool = True
    rejected: bool = False
    by_hand: bool = False
    doubtful: bool = False
    chosen: bool = False
    current: bool = False
    would_turn: bool = False


def draw_cells(painter: QPainter, look: Look, cells: Sequence[Cell]) -> None:
    """Draw cells, all of one form at a time: a call for each takes too long beside a job.

    Parameters
    ----------
    painter : QPainter
        Where to.
    look : Look
        The colours.
    cells : sequence of Cell
        The cells; they may overlap a little.
    """
    no_pen, no_brush = QPen(Qt.PenStyle.NoPen), QBrush(Qt.BrushStyle.NoBrush)
    painter.save()
    chosen = _frames([cell for cell in cells if cell.chosen], beside=1, above=3, below=3)
    dashed = QPen(QColor(look.accent), 1, Qt.PenStyle.DashLine)
    _draw(painter, dashed, QBrush(_pale(QColor(look.accent), 90)), chosen)
    for hue, alike in _by_hue(cells):
        full = QBrush(hue)
        judged = [cell for cell in alike if cell.judged]
        unknown = [cell for cell in alike if not cell.judged]
        _draw(painter, no_pen, QBrush(_pale(hue, 150)), _lines(unknown))
        _draw(painter, no_pen, full, _blocks([cell for cell in judged if not cell.rejected]))
        _draw(
            painter, QPen(hue, 1.2), no_brush, _struck([cell for cell in judged if cell.rejected])
        )
        for brush, out in ((QBrush(QColor(look.well)), False), (full, True)):
            in_doubt = [cell for cell in judged if cell.doubtful and cell.rejected is out]
            _draw(painter, no_pen, brush, _notches(in_doubt))
    _draw(painter, no_pen, QBrush(QColor(look.ink)), _bars([c for c in cells if c.by_hand]))
    turning = _frames([cell for cell in cells if cell.would_turn], beside=1, above=1, below=2)
    _draw(painter, QPen(QColor(look.warn), 2), no_brush, turning)
    current = _frames([cell for cell in cells if cell.current], beside=2, above=2, below=2)
    _draw(painter, QPen(QColor(look.ink), 2), no_brush, current)
    painter.restore()


def _draw(painter: QPainter, pen: QPen, brush: QBrush, path: QPainterPath) -> None:
    if not path.isEmpty():
        painter.setPen(pen)
        painter.setBrush(brush)
        painter.drawPath(path)


def _by_hue(cells: Sequence[Cell]) -> list[tuple[QColor, list[Cell]]]:
    alike: dict[int, list[Cell]] = defaultdict(list)
    for cell in cells:
        alike[cell.hue.rgba()].append(cell)
    return [(some[0].hue, some) for some in alike.values()]


def _path() -> QPainterPath:
    path = QPainterPath()
    path.setFillRule(Qt.FillRule.WindingFill)  # what overlaps stays full
    return path


def _body(cell: Cell) -> Box:
    """Give what is below the bar."""
    left, top, width, height = cell.box
    return Box(left, top + 4, width, height - 4)


def _frames(cells: Sequence[Cell], *, beside: float, above: float, below: float) -> QPainterPath:
    path = _path()
    for cell in cells:
        left, top, width, height = cell.box
        path.addRect(left - beside, top - above, width + 2 * beside, height + above + below)
    return path


def _lines(cells: Sequence[Cell]) -> QPainterPath:
    path = _path()
    for cell in cells:
        left, top, width, height = _body(cell)
        path.addRect(left, top + height / 2 - 1.5, width, 3)
    return path


def _blocks(cells: Sequence[Cell]) -> QPainterPath:
    path = _path()
    for cell in cells:
        path.addRect(*_body(cell))
    return path


def _struck(cells: Sequence[Cell]) -> QPainterPath:
    path = _path()
    for cell in cells:
        body = _body(cell)
        left, top, right, bottom = body.left + 0.5, _low(body), body.right - 0.5, body.bottom - 0.5
        path.addRect(left, top, right - left, bottom - top)
        path.moveTo(left, bottom)
        path.lineTo(right, top)
    return path


def _bars(cells: Sequence[Cell]) -> QPainterPath:
    path = _path()
    for cell in cells:
        path.addRect(cell.box.left, cell.box.top - 1, cell.box.width, 3)
    return path


def _notches(cells: Sequence[Cell]) -> QPainterPath:
    path = _path()
    for cell in cells:
        body = _body(cell)
        middle = body.left + body.width / 2
        reach = min(4.0, max(body.width / 2, 2.0))
        top = _low(body) - reach - 2 if cell.rejected else body.top
        path.moveTo(middle - reach, top)
        path.lineTo(middle + reach, top)
        path.lineTo(middle, top + reach + 1)
        path.closeSubpath()
    return path


def _low(body: Box) -> float:
    """Tell where a rejected sub's block begins."""
    return body.top + 0.45 * body.height


def _pale(colour: QColor, alpha: int) -> QColor:
    pale = QColor(colour)
    pale.setAlpha(alpha)
    return pale
