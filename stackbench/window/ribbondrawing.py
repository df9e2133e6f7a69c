"""What is painted of the ribbon: hours, sky, lanes with their cells."""

from collections.abc import Sequence
from datetime import UTC, datetime

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from stackbench.window.look import Look, marks_of, shape_of
from stackbench.window.night import NightModel
from stackbench.window.ribboncells import Cell, draw_cells
from stackbench.window.ribbonplaces import Placed
from stackbench.window.ribbonroom import GUTTER, RibbonRoom
from stackbench.window.ribbonsky import SkyBand

_TICK_EVERY = 70  # px


def draw_sky_and_hours(
    painter: QPainter,
    look: Look,
    model: NightModel,
    sky: SkyBand,
    room: RibbonRoom,
) -> None:
    """Draw what lies behind the lanes: twilight, hours, folds, and the Moon.

    Parameters
    ----------
    painter : QPainter
        Where to.
    look : Look
        The colours.
    model : NightModel
        The night.
    sky : SkyBand
        The sky, on the same timeline.
    room : RibbonRoom
        Where everything lies.
    """
    night, hours = room.night(), room.hours()
    painter.fillRect(night, look.well)
    sky.draw_twilight(painter, look, room)
    timed = any(row.frame.time is not None for row in model.rows)
    painter.setPen(look.muted)
    head = QRectF(8, 0, GUTTER - 14, hours.height())
    painter.drawText(head, Qt.AlignmentFlag.AlignVCenter, "UTC" if timed else "")
    for tick in sky.timeline.ticks(max(int(room.wide / _TICK_EVERY), 1)) if timed else ():
        x = room.x(tick.place)
        painter.setPen(look.line)
        painter.drawLine(QPointF(x, night.top()), QPointF(x, night.bottom()))
        painter.setPen(look.muted)
        words = f"{datetime.fromtimestamp(tick.time_s, tz=UTC):%H:%M}"
        box = QRectF(x - 30, 0, 60, hours.height())
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, words)
    for begin, end in sky.timeline.folds():
        left, right = room.x(begin), room.x(end)
        painter.fillRect(QRectF(left, night.top(), right - left, night.height()), look.ground)
    sky.draw_moon(painter, look, room)


def draw_lanes(
    painter: QPainter, look: Look, model: NightModel, cells: Sequence[Placed], room: RibbonRoom
) -> None:
    """Draw the lanes' heads and all cells.

    Parameters
    ----------
    painter : QPainter
        Where to.
    look : Look
        The colours.
    model : NightModel
        The night.
    cells : sequence of Placed
        The subs' places.
    room : RibbonRoom
        Where everything lies.
    """
    marks = marks_of(lane.group.filter for lane in model.lanes)
    hues = [look.filter_hue(marks[lane.group.filter]) for lane in model.lanes]
    several = model.several_targets()
    for number, lane in enumerate(model.lanes):
        band = room.lane(number)
        painter.setPen(look.ink)
        # the lanes of a target differ by what comes first: it is the target that is cut
        name = f"{lane.filter_name} {lane.group.target}" if several else lane.filter_name
        box = QRectF(26, band.top(), GUTTER - 32, band.height())
        metrics = painter.fontMetrics()
        count = _count(model, number)
        space = int(box.width()) - metrics.horizontalAdvance(count) - 6
        shown = metrics.elidedText(name, Qt.TextElideMode.ElideRight, space)
        painter.drawText(box, Qt.AlignmentFlag.AlignVCenter, shown)
        painter.setPen(look.muted)
        painter.drawText(box, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight, count)
        middle = QPointF(14, band.center().y())
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(hues[number])
        painter.drawPath(shape_of(marks[lane.group.filter]).translated(middle))
    states = [
        Cell(
            box=placed.box,
            hue=hues[row.lane],
            judged=row.verdict is not None,
            rejected=row.rejected,
            by_hand=row.by_hand,
            doubtful=row.doubt > 0,
            chosen=row.path in model.chosen,
            current=row.path == model.current,
            would_turn=row.path in model.trial_changes,
        )
        for placed in cells
        for row in (placed.row,)
    ]
    draw_cells(painter, look, states)


def draw_bracket(painter: QPainter, look: Look, bracket: QRectF) -> None:
    """Draw the bracket around a stretch of time: a bar above it, dashes down its ends.

    Parameters
    ----------
    painter : QPainter
        Where to.
    look : Look
        The colours.
    bracket : QRectF
        The stretch.
    """
    painter.fillRect(QRectF(bracket.left(), bracket.top() - 3, bracket.width(), 3), look.ink)
    painter.setPen(QPen(QColor(look.ink), 1, Qt.PenStyle.DashLine))
    painter.drawLine(bracket.topLeft(), bracket.bottomLeft())
    painter.drawLine(bracket.topRight(), bracket.bottomRight())


def draw_frame(painter: QPainter, look: Look, frame: QRectF) -> None:
    """Draw a thin frame around what is being chosen, or where the keyboard is.

    Parameters
    ----------
    painter : QPainter
        Where to.
    look : Look
        The colours.
    frame : QRectF
        The frame.
    """
    painter.setPen(look.accent)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawRect(frame)


def _count(model: NightModel, lane: int) -> str:
    rows = [row for row in model.rows if row.lane == lane]
    if any(row.verdict is None for row in rows):
        return str(len(rows))
    return f"{sum(not row.rejected for row in rows)} of {len(rows)}"
