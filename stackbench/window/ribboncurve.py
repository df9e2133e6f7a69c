"""The curve under the ribbon: one measure over the night, with limits to move."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from stackbench.export.hues import FilterMark
from stackbench.window.look import Look, marks_of, shape_of
from stackbench.window.measures import HEADER_NEEDS, Measure
from stackbench.window.night import NightModel

_REACH = 5.0
_HANDLE = 9.0


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
        self._points = {
            path: QPointF(centres[path], self._y(value))
            for path, value in values.items()
            if value is not None
        }
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
        room = self._room.adjusted(0, 6, 0, -6)
        part = (room.bottom() - y) / room.height()
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
        near = [
            ((point - place).manhattanLength(), path)
            for path, point in self._points.items()
            if (point - place).manhattanLength() <= _REACH + 3
        ]
        return min(near)[1] if near else None

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
        marks = marks_of(lane.group.filter for lane in self._model.lanes)
        self._draw_limits(painter, look, marks)
        for number, lane in enumerate(self._model.lanes):
            mark = marks[lane.group.filter]
            hue = look.filter_hue(mark)
            points = [
                self._points[row.path]
                for row in self._model.rows
                if row.lane == number and row.path in self._points
            ]
            pale = QColor(hue)
            pale.setAlpha(110)
            painter.setPen(QPen(pale, 1))
            painter.drawPolyline(QPolygonF(points))
            for point in points:
                self.draw_mark(painter, look, mark, point, size=0.62)
        for path, width in ((p, 1.5) for p in self._model.chosen):
            self._ring(painter, look.accent, path, width)
        if self._model.current is not None:
            self._ring(painter, look.ink, self._model.current, 2.0)

    @staticmethod
    def draw_mark(
        painter: QPainter, look: Look, mark: FilterMark, place: QPointF, *, size: float = 1.0
    ) -> None:
        """Draw a filter's mark.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        mark : FilterMark
            The mark.
        place : QPointF
            Its middle.
        size : float
            1 for about 10 px across.
        """
        painter.save()
        painter.translate(place)
        painter.scale(size, size)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(look.filter_hue(mark))
        painter.drawPath(shape_of(mark))
        painter.restore()

    def _draw_limits(
        self, painter: QPainter, look: Look, marks: Mapping[str | None, FilterMark]
    ) -> None:
        room = self._room
        for handle in self.handles:
            y = handle.place.y()
            if not room.top() <= y <= room.bottom():
                continue
            hue = look.filter_hue(marks[self._model.lanes[handle.lane].group.filter])
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
            painter.drawEllipse(self._points[path], _REACH, _REACH)

    def _nothing(self) -> str:
        return f"{self._measure.words}: {why_unknown(self._measure, self._model)}"

    def _y(self, value: float) -> float:
        room = self._room.adjusted(0, 6, 0, -6)
        part = (value - self._low) / (self._high - self._low)
        return room.bottom() - min(max(part, -0.04), 1.04) * room.height()


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
    """Choose a scale: all ordinary values and the limits near them."""
    if not known:
        return 0.0, 1.0
    last = len(known) - 1
    low, high = known[round(last * 0.02)], known[round(last * 0.98)]
    spread = (high - low) or abs(high) or 1.0
    near = [one for one in limits if low - 2 * spread <= one <= high + 2 * spread]
    low, high = min([low, *near]), max([high, *near])
    room = 0.06 * (high - low) or 0.5
    return low - room, high + room
