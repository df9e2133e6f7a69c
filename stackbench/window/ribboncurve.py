"""The curve under the ribbon: one measure over the night, with limits to move."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen, QPolygonF, QTransform

from stackbench.window.look import Look, marks_of, shape_of
from stackbench.window.measures import HEADER_NEEDS, Measure
from stackbench.window.night import NightModel

_REACH = 5.0
_HANDLE = 9.0
_ARROW = 4.0
_KEY_STEP = 2.0
_SIZE = 0.62  # of a mark beside that of the lane's head


@dataclass(frozen=True, slots=True, kw_only=True)
class Handle:
    """A limit that can be moved: its lane, value, the lane's typical value, its place."""

    lane: int
    value: float
    typical: float | None
    place: QPointF


class Curve:
    """Lays one measure out in a room of the ribbon, and draws it.

    Parameters
    ----------
    model : NightModel
        The night.
    measure : Measure
        What is drawn.
    room : QRectF
        Where it is drawn.
    centres : mapping of Path to float
        The x of every sub.
    """

    def __init__(
        self, model: NightModel, measure: Measure, room: QRectF, centres: Mapping[Path, float]
    ) -> None:
        self._model = model
        self._measure = measure
        self._room = room
        self._marks = marks_of(lane.group.filter for lane in model.lanes)
        lanes = model.trial_lanes or model.lanes
        values = {row.path: row.value(measure.name) for row in model.rows}
        limits = [
            (number, placed)
            for number, lane in enumerate(lanes)
            for placed in lane.limits
            if placed.measure == measure.name
        ]
        known = sorted(value for value in values.values() if value is not None)
        self._low, self._high = _range(known, [placed.limit for _, placed in limits])
        self._bottom, self._height = room.bottom() - 6, room.height() - 12
        self._points = {
            path: (centres[path], self._y(min(max(value, self._low), self._high)))
            for path, value in values.items()
            if value is not None
        }
        self._shapes = self._lay_out_marks()
        self.beyond = frozenset(
            path
            for path, value in values.items()
            if value is not None and not self._low <= value <= self._high
        )
        right = room.right()
        self.handles = tuple(
            Handle(
                lane=number,
                value=placed.limit,
                typical=placed.typical,
                place=QPointF(right + 8, self._y(placed.limit)),
            )
            for number, placed in limits
        )

    def value_at(self, y: float) -> float:
        """Read a value off a height.

        Parameters
        ----------
        y : float
            The height in the ribbon.

        Returns
        -------
        float
            The value there, within the room.
        """
        part = (self._bottom - y) / self._height
        # a limit may be drawn a little out of the room, to give the scale room to grow
        part = min(max(part, -0.3), 1.3)
        return self._low + part * (self._high - self._low)

    def path_at(self, place: QPointF) -> Path | None:
        """Find the sub whose point lies at a place.

        Parameters
        ----------
        place : QPointF
            In the ribbon.

        Returns
        -------
        Path or None
            The nearest within reach.
        """
        x, y = place.x(), place.y()
        off = [(abs(a - x) + abs(b - y), path) for path, (a, b) in self._points.items()]
        near = min(off, default=None)
        return near[1] if near is not None and near[0] <= _REACH + 3 else None

    def handle_at(self, place: QPointF) -> Handle | None:
        """Find the limit that a pointer would take hold of.

        Parameters
        ----------
        place : QPointF
            In the ribbon.

        Returns
        -------
        Handle or None
            The nearest within reach; only what can be moved.
        """
        if not self._measure.movable:
            return None
        if not self._room.left() <= place.x() <= self._room.right() + 60:
            return None
        near = [
            (abs(handle.place.y() - place.y()), handle.lane, handle)
            for handle in self.handles
            if abs(handle.place.y() - place.y()) <= (4 if place.x() < self._room.right() else 9)
        ]
        return min(near)[2] if near else None

    def moved_handle(self, lane: int | None, *, up: bool) -> Handle | None:
        """Give a limit as a key moves it: by what two pixels are worth.

        Parameters
        ----------
        lane : int or None
            Whose limit; any lane's where it has none.
        up : bool
            Whether it goes up or down.

        Returns
        -------
        Handle or None
            With its new value and place; only what can be moved.
        """
        if not self._measure.movable or not self.handles:
            return None
        held = next((one for one in self.handles if one.lane == lane), self.handles[0])
        step = _KEY_STEP / self._height * (self._high - self._low)
        value = held.value + (step if up else -step)
        return replace(held, value=value, place=QPointF(held.place.x(), self._y(value)))

    def draw(self, painter: QPainter, look: Look, *, gutter: float) -> None:
        """Draw the curve, its scale and the limits.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        gutter : float
            The room at the left for words.
        """
        room = self._room
        painter.setPen(look.line)
        painter.drawLine(room.topLeft(), room.topRight())
        painter.setPen(look.ink)
        painter.drawText(
            QRectF(8, room.top() + 24, gutter - 16, 20),
            Qt.AlignmentFlag.AlignVCenter,
            self._measure.words,
        )
        painter.setPen(look.muted)
        for words, y in (
            (self._measure.written(self._high), room.top() + 8),
            (self._measure.written(self._low), room.bottom() - 8),
        ):
            if self._points:
                painter.drawText(
                    QRectF(8, y - 10, gutter - 16, 20),
                    Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight,
                    words,
                )
        if not self._points:
            painter.drawText(room, Qt.AlignmentFlag.AlignCenter, self._nothing())
            return
        self._draw_limits(painter, look)
        for lane, (line, marks) in zip(self._model.lanes, self._shapes, strict=True):
            hue = look.filter_hue(self._marks[lane.group.filter])
            pale = QColor(hue)
            pale.setAlpha(110)
            painter.setPen(QPen(pale, 1))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawPath(line)
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(hue)
            painter.drawPath(marks)
        self._draw_arrows(painter, look)
        for path, width in ((p, 1.5) for p in self._model.chosen):
            self._ring(painter, look.accent, path, width)
        if self._model.current is not None:
            self._ring(painter, look.ink, self._model.current, 2.0)

    def _lay_out_marks(self) -> list[tuple[QPainterPath, QPainterPath]]:
        """Lay out the line and the marks of every lane, each to be drawn in one go."""
        points: list[list[tuple[float, float]]] = [[] for _ in self._model.lanes]
        for row in self._model.rows:
            if row.path in self._points:
                points[row.lane].append(self._points[row.path])
        smaller = QTransform.fromScale(_SIZE, _SIZE)
        laid_out = []
        for lane, places in zip(self._model.lanes, points, strict=True):
            mark = smaller.map(shape_of(self._marks[lane.group.filter]))
            line, marks = QPainterPath(), QPainterPath()
            marks.setFillRule(Qt.FillRule.WindingFill)  # those that overlap stay full
            at_x = at_y = 0.0
            if places:
                line.moveTo(*places[0])
            for x, y in places:
                line.lineTo(x, y)
                mark.translate(x - at_x, y - at_y)
                at_x, at_y = x, y
                marks.addPath(mark)
            laid_out.append((line, marks))
        return laid_out

    def _draw_arrows(self, painter: QPainter, look: Look) -> None:
        """Point out of the room at the marks whose values lie beyond the scale."""
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(look.ink))
        middle = self._room.center().y()
        for path in self.beyond:
            x, y = self._points[path]
            out = -1.0 if y < middle else 1.0
            base, tip = y + out * _REACH, y + out * (_REACH + _ARROW)
            painter.drawPolygon(
                QPolygonF([QPointF(x - 4, base), QPointF(x + 4, base), QPointF(x, tip)])
            )

    def _draw_limits(self, painter: QPainter, look: Look) -> None:
        room = self._room
        for handle in self.handles:
            y = handle.place.y()
            if not room.top() <= y <= room.bottom():
                continue
            hue = look.filter_hue(self._marks[self._model.lanes[handle.lane].group.filter])
            pen = QPen(hue, 1.2, Qt.PenStyle.DashLine)
            painter.setPen(pen)
            painter.drawLine(QPointF(room.left(), y), QPointF(room.right(), y))
            if not self._measure.movable:
                continue
            painter.setPen(QPen(QColor(look.ink), 1))
            painter.setBrush(hue)
            x = room.right() + 2
            painter.drawPolygon(
                QPolygonF([QPointF(x, y), QPointF(x + _HANDLE, y - 5), QPointF(x + _HANDLE, y + 5)])
            )
        if self.handles and self._measure.movable:
            painter.setPen(look.muted)
            painter.drawText(
                QRectF(room.right() + 14, room.top() - 22, 44, 20),
                Qt.AlignmentFlag.AlignVCenter,
                "limits",
            )

    def _ring(self, painter: QPainter, colour: str, path: Path, width: float) -> None:
        if path in self._points:
            painter.setPen(QPen(QColor(colour), width))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawEllipse(QPointF(*self._points[path]), _REACH, _REACH)

    def _nothing(self) -> str:
        return f"{self._measure.words}: {why_unknown(self._measure, self._model)}"

    def _y(self, value: float) -> float:
        return self._bottom - (value - self._low) / (self._high - self._low) * self._height


def why_unknown(measure: Measure, model: NightModel) -> str:
    """Tell why a measure is known for no sub.

    Parameters
    ----------
    measure : Measure
        The measure.
    model : NightModel
        The night.

    Returns
    -------
    str
        In a few words.
    """
    if measure.name in HEADER_NEEDS:
        return HEADER_NEEDS[measure.name]
    judged = any(row.judged is not None for row in model.rows)
    return "it could not be measured in any sub" if judged else "it comes with measuring"


def _range(known: list[float], limits: list[float]) -> tuple[float, float]:
    """Choose a scale: all ordinary values and the limits, which are moved by where they lie."""
    if not known:
        return 0.0, 1.0
    last = len(known) - 1
    low, high = known[round(last * 0.02)], known[round(last * 0.98)]
    low, high = min([low, *limits]), max([high, *limits])
    room = 0.06 * (high - low) or 0.5
    return low - room, high + room
