"""The night ribbon: time from left to right, a lane per filter, a cell per sub."""

from collections.abc import Sequence
from datetime import datetime
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

from stackbench.job.skies import NO_SKY
from stackbench.window.look import look_of
from stackbench.window.measures import MEASURES, Measure
from stackbench.window.night import NightModel, SubRow
from stackbench.window.ribboncurve import Curve, Handle
from stackbench.window.ribbondrawing import draw_bracket, draw_frame, draw_lanes, draw_sky_and_hours
from stackbench.window.ribbonplaces import RibbonPlaces
from stackbench.window.ribbonroom import GUTTER, RibbonRoom
from stackbench.window.ribbonsky import SkyBand
from stackbench.window.stretches import clicked, neighbour
from stackbench.window.subwords import spoken, tip

_DRAG = 5  # px; a hand that only clicks moves less


class Ribbon(QWidget):
    """Draws the night; asks for selections, decisions and limits, sets none.

    `chosen` asks to choose subs, `wanted` to look at one, `limit_tried` for a
    limit that is being moved (measure, value, typical value or None), `menu`
    for the menu of decisions at a place of the screen.

    Parameters
    ----------
    model : NightModel
        The night.
    """

    chosen = Signal(object)
    wanted = Signal(object)
    limit_tried = Signal(str, float, object)
    menu = Signal(QPoint)

    def __init__(self, model: NightModel) -> None:
        super().__init__()
        self._model = model
        self._measure = MEASURES[0]
        self._places = RibbonPlaces([])
        self._sky = SkyBand(NO_SKY, self._places.timeline)
        self._curve: Curve | None = None
        self._press: QPointF | None = None
        self._band: QRectF | None = None
        self._held: Handle | None = None
        self._dragging = False
        self._marked: tuple[datetime, datetime] | None = None
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName("Night ribbon")
        self.setToolTip("The subs by time and filter (← →, with Shift several; ↑ ↓ move the limit)")
        model.changed.connect(self._renew)
        model.trial_changed.connect(self._lay_out_later)
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
        self._lay_out_later()

    def mark_time(self, marked: tuple[datetime, datetime] | None) -> None:
        """Bracket a stretch of time, in place of the one before.

        Parameters
        ----------
        marked : tuple of datetime, or None
            Begin and end; None takes the bracket away.
        """
        self._marked = marked
        self.update()

    def bracket(self) -> QRectF | None:
        """Tell where the bracket is.

        Returns
        -------
        QRectF or None
            In the ribbon's pixels; None when no time is marked.
        """
        if self._marked is None:
            return None
        return self._places.bracket(self._marked, self._room)

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
        self._lay_out()
        box = self._places.box_of(path)
        return QRectF(*box).toAlignedRect() if box is not None else None

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
        room = self._room
        if place.x() < GUTTER:
            return self._sky.words if place.y() < room.top else self._lane_words(place)
        return self._sky.words_at((place.x() - GUTTER) / room.wide)

    def _lane_words(self, place: QPointF) -> str:
        """Name the lane at a place in full, which its head has no room for."""
        for number, lane in enumerate(self._model.lanes):
            band = self._room.lane(number)
            if band.top() <= place.y() < band.bottom():
                return f"{lane.filter_name}, {lane.group.target}"
        return ""

    def handles(self) -> Sequence[Handle]:
        """List the limits that can be moved.

        Returns
        -------
        sequence of Handle
            With their places.
        """
        return self._lay_out().handles

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for room for all lanes."""
        return QSize(600, self._room.height_wanted())

    def minimumSizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Ask for no less height."""
        return QSize(320, self.sizeHint().height())

    @property
    def _room(self) -> RibbonRoom:
        return RibbonRoom(
            width=self.width(),
            height=self.height(),
            lanes=len(self._model.lanes),
            sky=bool(self._model.state.sky.moments),
        )

    @Slot()
    def _renew(self) -> None:
        self._places = RibbonPlaces(self._model.rows)
        sky, timeline = self._model.state.sky, self._places.timeline
        if sky is not self._sky.sky or timeline.stretches != self._sky.timeline.stretches:
            self._sky = SkyBand(sky, timeline)
        self.updateGeometry()
        self._lay_out_later()
        self._tell_current()

    @Slot()
    def _lay_out_later(self) -> None:
        """Lay out before it is drawn or asked, once for all that happened until then."""
        self._curve = None
        self.update()

    def _lay_out(self) -> Curve:
        if self._curve is None:
            room = self._room
            self._places.lay_out(room)
            self._curve = Curve(self._model, self._measure, room.curve(), self._places.centres())
        return self._curve

    @Slot()
    def _tell_current(self) -> None:
        row = self._model.row(self._model.current)
        if row is None:
            words = self._sky.words if self._model.rows else ""
        else:
            words = spoken(row, self._model)
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
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, self._without_lanes())
            return
        curve = self._lay_out()
        draw_sky_and_hours(painter, look, self._model, self._sky, self._room)
        draw_lanes(painter, look, self._model, self._places.cells, self._room)
        curve.draw(painter, look, gutter=GUTTER)
        bracket = self.bracket()
        if bracket is not None:
            draw_bracket(painter, look, bracket)
        if self._band is not None:
            draw_frame(painter, look, self._band)
        if self.hasFocus():
            draw_frame(painter, look, QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5))

    def _without_lanes(self) -> str:
        if self._model.state.night is None:
            return "The night will be drawn here."
        return "There are no light frames to draw."

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Lay out anew."""
        super().resizeEvent(event)
        self._lay_out_later()

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
        if self._press is not None:
            if (place - self._press).manhattanLength() > _DRAG:
                self._dragging = True
            if self._dragging:
                self._drag(self._press, place)
            return
        over = self._handle_at(place)
        self.setCursor(
            Qt.CursorShape.SizeVerCursor if over is not None else Qt.CursorShape.ArrowCursor
        )

    def _drag(self, press: QPointF, place: QPointF) -> None:
        """Move the limit by as much as the pointer moved, or draw the band."""
        if self._held is None:
            self._band = QRectF(press, place).normalized()
            self.update()
            return
        moved = self._held.place + place - press
        value = self._lay_out().value_at(moved.y())
        self.limit_tried.emit(self._measure.name, value, self._held.typical)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Choose what lies in the band, or the sub that was clicked."""
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        band, self._band = self._band, None
        held, self._held = self._held, None
        self._press, self._dragging = None, False
        self.update()
        if held is not None:
            return
        more = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        if band is not None:
            # a band drawn in the curve takes all lanes in
            below = band.top() >= self._room.curve().top() - 4
            self._lay_out()
            paths = self._places.within(band, all_lanes=below)
            self.chosen.emit(paths | self._model.chosen if more else paths)
            return
        row = self._row_at(event.position())
        path = row.path if row is not None else None
        stretch = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        self.chosen.emit(clicked(self._model, path, more=more, stretch=stretch))
        if path is not None and not (more or stretch):
            self.wanted.emit(path)

    def contextMenuEvent(self, event: QContextMenuEvent) -> None:  # noqa: N802 - Qt's name
        """Offer decisions on what is chosen or current, or on the sub under the pointer."""
        place = event.globalPos()
        if event.reason() is QContextMenuEvent.Reason.Keyboard:
            # the place of the event is the middle of the ribbon, where nobody points
            current = self._model.current
            cell = self.cell_of(current) if current is not None else None
            place = self.mapToGlobal(cell.center()) if cell is not None else place
        else:
            row = self._row_at(QPointF(event.pos()))
            if row is not None and row.path not in self._model.chosen:
                self.chosen.emit(frozenset({row.path}))
        if self._model.targets():
            self.menu.emit(place)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt's name
        """Go along the night, with Shift choosing on the way; move the limit."""
        steps = {Qt.Key.Key_Right: 1, Qt.Key.Key_Left: -1}
        key = Qt.Key(event.key())
        path = neighbour(self._model, steps[key]) if key in steps else None
        if path is not None:
            current = self._model.current
            if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
                before = {current} if current is not None else set()
                self.chosen.emit(self._model.chosen | before | {path})
            self.wanted.emit(path)
        elif key in (Qt.Key.Key_Up, Qt.Key.Key_Down):
            self._move_limit(up=key == Qt.Key.Key_Up)
        elif key == Qt.Key.Key_Escape:
            self.chosen.emit(frozenset())
        else:
            event.ignore()

    def _move_limit(self, *, up: bool) -> None:
        """Move the limit of the current sub's filter, by a key."""
        row = self._model.row(self._model.current)
        moved = self._lay_out().moved_handle(row.lane if row is not None else None, up=up)
        if moved is not None:
            self.limit_tried.emit(self._measure.name, moved.value, moved.typical)

    def _row_at(self, place: QPointF) -> SubRow | None:
        curve = self._lay_out()
        return self._places.at(place) or self._model.row(curve.path_at(place))

    def _handle_at(self, place: QPointF) -> Handle | None:
        return self._lay_out().handle_at(place)
