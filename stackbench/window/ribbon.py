"""The night ribbon: time from left to right, a lane per filter, a cell per sub."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from PySide6.QtCore import QEvent, QPoint, QPointF, QRect, QRectF, QSize, Qt, Signal, Slot
from PySide6.QtGui import (
    QContextMenuEvent,
    QHelpEvent,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QResizeEvent,
)
from PySide6.QtWidgets import QSizePolicy, QToolTip, QWidget

from stackbench.window.look import Look, look_of, marks_of
from stackbench.window.measures import MEASURES, Measure
from stackbench.window.night import NightModel, SubRow
from stackbench.window.ribboncells import Cell, draw_cell
from stackbench.window.ribboncurve import Curve, Handle
from stackbench.window.ribbonsky import SKY_LANE, SkyBand
from stackbench.window.skywords import UNKNOWN_SKY, night_words, sky_words
from stackbench.window.subwords import clock, sky_of, state_words, sub_line, tip
from stackbench.window.timeline import Timeline

_GUTTER = 132
_RIGHT = 58
_AXIS = 20
_LANE = 24
_MOST_LANES = 10
_CURVE = 84
_GAP = 8
_LEAST_CELL = 3.0
_UNTIMED_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Placed:
    """Where a sub's cell is drawn."""

    row: SubRow
    rect: QRectF


class Ribbon(QWidget):
    """Draws the night; asks for selections, decisions and limits, sets none.

    `chosen` asks to choose subs, `wanted` to look at one, `limit_tried` for a
    limit that is being moved (measure, value, typical value or None), `menu`
    for the menu of decisions at a place of the screen.
    """

    chosen = Signal(object)
    wanted = Signal(object)
    limit_tried = Signal(str, float, object)
    menu = Signal(QPoint)

    def __init__(self, model: NightModel, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._model = model
        self._measure = MEASURES[0]
        self._timeline = Timeline([])
        self._starts: dict[Path, tuple[float, float]] = {}
        self._cells: list[_Placed] = []
        self._curve: Curve | None = None
        self._sky: SkyBand | None = None
        self._press: QPointF | None = None
        self._band: QRectF | None = None
        self._held: Handle | None = None
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Night ribbon")
        model.changed.connect(self._renew)
        model.trial_changed.connect(self._lay_out)
        model.chosen_changed.connect(self.update)
        model.current_changed.connect(self._tell_current)
        self._renew()

    @property
    def measure(self) -> Measure:
        """The measure under the lanes.

        Returns
        -------
        Measure
            Drawn as a curve.
        """
        return self._measure

    def show_measure(self, measure: Measure) -> None:
        """Draw another measure under the lanes.

        Parameters
        ----------
        measure : Measure
            The measure.
        """
        self._measure = measure
        self._lay_out()

    def cell_of(self, path: Path) -> QRect | None:
        """Tell where a sub's cell is.

        Parameters
        ----------
        path : Path
            The sub.

        Returns
        -------
        QRect or None
            In the ribbon's pixels.
        """
        for placed in self._cells:
            if placed.row.path == path:
                return placed.rect.toAlignedRect()
        return None

    def words_at(self, place: QPointF) -> str:
        """Tell what is known at a place: of the sub there, or of the sky at that time.

        Parameters
        ----------
        place : QPointF
            In the ribbon's pixels.

        Returns
        -------
        str
            Plain text; empty beside the night.
        """
        row = self._row_at(place)
        if row is not None:
            return tip(row, self._model)
        if not self._model.rows:
            return ""
        if place.x() < _GUTTER:
            return night_words(self._model.state.sky) if place.y() < self._top else ""
        wide = max(self.width() - _GUTTER - _RIGHT, 50)
        moment_s = self._timeline.moment((place.x() - _GUTTER) / wide)
        if moment_s is None:
            return ""
        moment = datetime.fromtimestamp(moment_s, tz=UTC)
        known = self._model.state.sky.at(moment)
        return f"{clock(moment)}: {sky_words(known)}" if known is not None else UNKNOWN_SKY

    def handles(self) -> Sequence[Handle]:
        """List the limits that can be moved.

        Returns
        -------
        sequence of Handle
            With their places.
        """
        return self._curve.handles if self._curve is not None else ()

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for room for all lanes."""
        lanes = min(max(len(self._model.lanes), 1), _MOST_LANES)
        return QSize(600, self._top + lanes * _LANE + _GAP + _CURVE + 6)

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for no less height."""
        return QSize(320, self.sizeHint().height())

    @property
    def _top(self) -> int:
        """Where the lanes begin: below the hours, and below the Moon where it is known."""
        return _AXIS + (SKY_LANE if self._model.state.sky.moments else 0)

    @Slot()
    def _renew(self) -> None:
        exposures = []
        self._starts = {}
        last = 0.0
        for row in self._model.rows:
            length = row.frame.exposure_s or _UNTIMED_S
            # what has no time comes after all that has, one after the other
            start = row.frame.time.timestamp() if row.frame.time is not None else last
            self._starts[row.path] = (start, length)
            exposures.append((start, length))
            last = max(last, start + length)
        self._timeline = Timeline(exposures)
        self.updateGeometry()
        self._lay_out()
        self._tell_current()

    @Slot()
    def _lay_out(self) -> None:
        wide = max(self.width() - _GUTTER - _RIGHT, 50)
        lane_height = self._lane_height()
        self._cells = []
        for row in self._model.rows:
            start, length = self._starts[row.path]
            left = _GUTTER + wide * self._timeline.place(start)
            right = _GUTTER + wide * self._timeline.place(start + length)
            top = self._top + row.lane * lane_height + 3
            rect = QRectF(left, top, max(right - left - 1, _LEAST_CELL), lane_height - 6)
            self._cells.append(_Placed(row=row, rect=rect))
        room = QRectF(_GUTTER, self.height() - _CURVE - 4, wide, _CURVE)
        self._curve = Curve(self._model, self._measure, room, self._centres())
        self._sky = SkyBand(self._model.state.sky, self._timeline, _GUTTER, wide)
        self.update()

    def _lane_height(self) -> float:
        count = max(len(self._model.lanes), 1)
        return min(_LANE, (self.height() - self._top - _GAP - _CURVE - 6) / count)

    def _centres(self) -> dict[Path, float]:
        return {placed.row.path: placed.rect.center().x() for placed in self._cells}

    @Slot()
    def _tell_current(self) -> None:
        row = self._model.row(self._model.current)
        if row is None:
            words = night_words(self._model.state.sky) if self._model.rows else ""
        else:
            told = (f"{sub_line(row, self._model)}: {state_words(row)}", sky_of(row, self._model))
            words = ". ".join(filter(None, told))
        self.setAccessibleDescription(words)
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Draw."""
        painter = QPainter(self)
        self._draw(painter)
        painter.end()

    def _draw(self, painter: QPainter) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        look = look_of(self.palette())
        if not self._model.lanes:
            painter.setPen(look.muted)
            painter.drawText(
                self.rect(), Qt.AlignmentFlag.AlignCenter, "The night will be drawn here."
            )
            return
        self._draw_time(painter, look)
        self._draw_lanes(painter, look)
        if self._curve is not None:
            self._curve.draw(painter, look, gutter=_GUTTER)
        if self._band is not None:
            painter.setPen(look.accent)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(self._band)
        if self.hasFocus():
            painter.setPen(look.accent)
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5))

    def _draw_time(self, painter: QPainter, look: Look) -> None:
        wide = self.width() - _GUTTER - _RIGHT
        bottom = self.height() - 4
        painter.fillRect(QRectF(_GUTTER, _AXIS, wide, bottom - _AXIS), look.well)
        if self._sky is not None:
            room = QRectF(_GUTTER, _AXIS, wide, bottom - _AXIS)
            self._sky.draw_twilight(painter, look, room)
        timed = any(row.frame.time is not None for row in self._model.rows)
        painter.setPen(look.muted)
        painter.drawText(
            QRectF(8, 0, _GUTTER - 14, _AXIS), Qt.AlignmentFlag.AlignVCenter, "UTC" if timed else ""
        )
        for tick in self._timeline.ticks(max(int(wide / 70), 1)) if timed else ():
            x = _GUTTER + wide * tick.place
            painter.setPen(look.line)
            painter.drawLine(QPointF(x, _AXIS), QPointF(x, bottom))
            painter.setPen(look.muted)
            words = f"{datetime.fromtimestamp(tick.time_s, tz=UTC):%H:%M}"
            painter.drawText(QRectF(x - 30, 0, 60, _AXIS), Qt.AlignmentFlag.AlignCenter, words)
        for begin, end in self._timeline.folds():
            left, right = (_GUTTER + wide * place for place in (begin, end))
            painter.fillRect(QRectF(left, _AXIS, right - left, bottom - _AXIS), look.ground)
        if self._sky is not None and self._model.state.sky.moments:
            lane = QRectF(_GUTTER, _AXIS, wide, SKY_LANE)
            self._sky.draw_moon(painter, look, lane)
            painter.setPen(look.muted)
            head = QRectF(26, _AXIS, _GUTTER - 32, SKY_LANE)
            painter.drawText(head, Qt.AlignmentFlag.AlignVCenter, self._sky.words())

    def _draw_lanes(self, painter: QPainter, look: Look) -> None:
        marks = marks_of(lane.group.filter for lane in self._model.lanes)
        several = self._model.several_targets()
        height = self._lane_height()
        for number, lane in enumerate(self._model.lanes):
            top = self._top + number * height
            painter.setPen(look.ink)
            name = f"{lane.group.target} {lane.filter_name}" if several else lane.filter_name
            box = QRectF(26, top, _GUTTER - 32, height)
            metrics = painter.fontMetrics()
            count = self._count(number)
            room = int(box.width()) - metrics.horizontalAdvance(count) - 6
            shown = metrics.elidedText(name, Qt.TextElideMode.ElideRight, room)
            painter.drawText(box, Qt.AlignmentFlag.AlignVCenter, shown)
            painter.setPen(look.muted)
            painter.drawText(
                box, Qt.AlignmentFlag.AlignVCenter | Qt.AlignmentFlag.AlignRight, count
            )
            Curve.draw_mark(painter, look, marks[lane.group.filter], QPointF(14, top + height / 2))
        for placed in self._cells:
            row = placed.row
            mark = marks[self._model.lanes[row.lane].group.filter]
            change = self._model.trial_changes.get(row.path)
            draw_cell(
                painter,
                look,
                placed.rect,
                Cell(
                    hue=look.filter_hue(mark),
                    judged=row.verdict is not None,
                    rejected=row.rejected,
                    by_hand=row.by_hand,
                    doubtful=row.doubt > 0,
                    chosen=row.path in self._model.chosen,
                    current=row.path == self._model.current,
                    would_turn=change is not None,
                ),
            )

    def _count(self, lane: int) -> str:
        rows = [row for row in self._model.rows if row.lane == lane]
        if any(row.verdict is None for row in rows):
            return str(len(rows))
        return f"{sum(not row.rejected for row in rows)} of {len(rows)}"

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Lay out anew."""
        super().resizeEvent(event)
        self._lay_out()

    def event(self, event: QEvent) -> bool:
        """Show what is known of the sub under the pointer."""
        if isinstance(event, QHelpEvent):
            QToolTip.showText(event.globalPos(), self.words_at(QPointF(event.pos())), self)
            return True
        return super().event(event)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Take hold of a limit, or begin to choose."""
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        self._held = self._handle_at(event.position())
        self._press = event.position()

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Move the limit, or draw the band."""
        place = event.position()
        if self._held is not None and self._curve is not None:
            value = self._curve.value_at(place.y())
            self.limit_tried.emit(self._measure.name, value, self._held.typical)
            return
        if self._press is not None and (place - self._press).manhattanLength() > 5:
            self._band = QRectF(self._press, place).normalized()
            self.update()
            return
        over = self._handle_at(place)
        self.setCursor(
            Qt.CursorShape.SizeVerCursor if over is not None else Qt.CursorShape.ArrowCursor
        )

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Choose what lies in the band, or the sub that was clicked."""
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        band, self._band = self._band, None
        held, self._held = self._held, None
        self._press = None
        self.update()
        if held is not None:
            return
        more = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        if band is not None:
            paths = frozenset(p.row.path for p in self._cells if self._in_band(p, band))
            self.chosen.emit(paths | self._model.chosen if more else paths)
            return
        row = self._row_at(event.position())
        if row is None:
            self.chosen.emit(frozenset())
        elif more:
            self.chosen.emit(self._model.chosen ^ {row.path})
        elif event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self.chosen.emit(self._between(row))
        else:
            self.chosen.emit(frozenset())
            self.wanted.emit(row.path)

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:  # noqa: N802 - Qt's name
        """Offer decisions on what is chosen, or on the sub under the pointer."""
        row = self._row_at(QPointF(event.pos()))
        if row is not None and row.path not in self._model.chosen:
            self.chosen.emit(frozenset({row.path}))
        if self._model.targets():
            self.menu.emit(event.globalPos())

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt's name
        """Go along the night; with Shift choose on the way."""
        steps = {Qt.Key.Key_Right: 1, Qt.Key.Key_Left: -1}
        key = Qt.Key(event.key())
        if key in steps and self._model.rows:
            paths = [row.path for row in self._model.rows]
            current = self._model.current
            index = paths.index(current) + steps[key] if current in paths else 0
            index = min(max(index, 0), len(paths) - 1)
            if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
                before = {current} if current is not None else set()
                self.chosen.emit(self._model.chosen | before | {paths[index]})
            self.wanted.emit(paths[index])
        elif key == Qt.Key.Key_Escape:
            self.chosen.emit(frozenset())
        else:
            event.ignore()

    def _in_band(self, placed: _Placed, band: QRectF) -> bool:
        # a band drawn in the curve takes all lanes in
        in_lanes = band.top() < self.height() - _CURVE - _GAP
        rect = placed.rect
        across = rect.right() >= band.left() and rect.left() <= band.right()
        return across and (
            not in_lanes or (rect.bottom() >= band.top() and rect.top() <= band.bottom())
        )

    def _between(self, row: SubRow) -> frozenset[Path]:
        paths = [one.path for one in self._model.rows]
        current = self._model.current
        if current not in paths:
            return frozenset({row.path})
        first, last = sorted((paths.index(current), paths.index(row.path)))
        return frozenset(one.path for one in self._model.rows[first : last + 1])

    def _row_at(self, place: QPointF) -> SubRow | None:
        for placed in self._cells:
            if placed.rect.adjusted(-1, -3, 1, 3).contains(place):
                return placed.row
        if self._curve is not None:
            return self._model.row(self._curve.path_at(place))
        return None

    def _handle_at(self, place: QPointF) -> Handle | None:
        if self._curve is None:
            return None
        return self._curve.handle_at(place)
