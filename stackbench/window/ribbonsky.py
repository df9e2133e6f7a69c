"""The sky in the ribbon: twilight as shading, the Moon's altitude in a lane of its own."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from stackbench.job.skies import NightSky, SkyMoment
from stackbench.window.look import Look
from stackbench.window.ribbonroom import GUTTER, RibbonRoom
from stackbench.window.skywords import DAY, NIGHT, PHASES, phase_of
from stackbench.window.timeline import Timeline

_SHORT = {"astronomical twilight": "astronomical", "nautical twilight": "nautical"}
_SHORT |= {"civil twilight": "civil", DAY: "day"}
# How far each phase is mixed with the colour of day; steps that can be told apart.
_SHARES = (0.0, 0.35, 0.6, 0.82, 1.0)
# Moments further apart belong to different stretches of the night.
_APART_S = 120.0


class SkyBand:
    """Draws a night's sky in the ribbon.

    Parameters
    ----------
    sky : NightSky
        The sky; empty draws nothing.
    timeline : Timeline
        Places moments.
    room : RibbonRoom
        Where everything lies.
    """

    def __init__(self, sky: NightSky, timeline: Timeline, room: RibbonRoom) -> None:
        self._moments = sky.moments
        self._timeline = timeline
        self._room = room
        self._phases = tuple(self._find_phases())

    def draw_twilight(self, painter: QPainter, look: Look) -> None:
        """Shade the night by the light of the sky.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        """
        room = self._room.night()
        for phase, start, stop in self._phases:
            if phase == NIGHT:
                continue
            area = QRectF(start, room.top(), stop - start, room.height())
            painter.fillRect(area, _light(look, PHASES.index(phase)))

    def draw_moon(self, painter: QPainter, look: Look) -> None:
        """Draw the Moon's altitude, fuller the more of it is lit, and name the twilights.

        The horizon is the lane's lower edge, 90° its upper one.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        """
        if not self._moments:
            return
        lane = self._room.sky_lane()
        painter.setPen(look.muted)
        head = QRectF(26, lane.top(), GUTTER - 32, lane.height())
        painter.drawText(head, Qt.AlignmentFlag.AlignVCenter, self._head())
        floor, height = lane.bottom() - 1, lane.height() - 3
        for run in self._stretches():
            points = [
                QPointF(self._x(one.time_s), floor - height * max(one.moon_deg, 0.0) / 90)
                for one in run
            ]
            shape = [QPointF(points[0].x(), floor), *points, QPointF(points[-1].x(), floor)]
            fill = QColor(look.muted)
            fill.setAlpha(round(20 + 110 * run[0].moonlit))
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(fill)
            painter.drawPolygon(QPolygonF(shape))
            painter.setPen(QPen(QColor(look.muted), 1))
            for one, other in pairwise(
                point for point, moment in zip(points, run, strict=True) if moment.moon_deg > 0
            ):
                if other.x() - one.x() < 0.1 * self._room.wide:  # it may set and rise again
                    painter.drawLine(one, other)
        painter.setPen(QColor(look.ink))
        for phase, start, stop in self._phases:
            words = _SHORT.get(phase, "")
            if words and painter.fontMetrics().horizontalAdvance(words) + 8 < stop - start:
                painter.drawText(
                    QRectF(start, lane.top(), stop - start, lane.height()),
                    Qt.AlignmentFlag.AlignCenter,
                    words,
                )

    def _head(self) -> str:
        if all(one.moon_deg <= 0 for one in self._moments):
            return "Moon down"
        middle = self._moments[len(self._moments) // 2]
        return f"Moon {100 * middle.moonlit:.0f} %"

    def _x(self, time_s: float) -> float:
        return self._room.x(self._timeline.place(time_s))

    def _stretches(self) -> Iterator[Sequence[SkyMoment]]:
        run: list[SkyMoment] = []
        for one in self._moments:
            if run and one.time_s - run[-1].time_s > _APART_S:
                yield run
                run = []
            run.append(one)
        if run:
            yield run

    def _find_phases(self) -> Iterator[tuple[str, float, float]]:
        """Yield the phases of every stretch with the x of their begin and end."""
        for run in self._stretches():
            start = run[0]
            for one in run:
                if phase_of(one) != phase_of(start):
                    yield phase_of(start), self._x(start.time_s), self._x(one.time_s)
                    start = one
            yield phase_of(start), self._x(start.time_s), self._x(run[-1].time_s)


def _light(look: Look, step: int) -> QColor:
    """Mix the colour of a phase of twilight, from that of the night to that of day."""
    part = _SHARES[step]
    night, day = QColor(look.well), QColor("#4b5563" if look.dark else "#fdf3d0")
    return QColor(
        round(night.red() + part * (day.red() - night.red())),
        round(night.green() + part * (day.green() - night.green())),
        round(night.blue() + part * (day.blue() - night.blue())),
    )
