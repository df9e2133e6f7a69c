"""The sky in the ribbon: twilight as shading, the Moon's altitude in a lane of its own."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from stackbench.job.skies import NightSky, SkyMoment
from stackbench.window.look import Look
from stackbench.window.skywords import DAY, NIGHT, PHASES, phase_of
from stackbench.window.timeline import Timeline

SKY_LANE = 20
_SHORT = {"astronomical twilight": "astronomical", "nautical twilight": "nautical"}
_SHORT |= {"civil twilight": "civil", DAY: "day"}
# Moments further apart belong to different stretches of the night.
_APART_S = 120.0


class SkyBand:
    """Draws a night's sky between two edges of the ribbon.

    Parameters
    ----------
    sky : NightSky
        The sky; empty draws nothing.
    timeline : Timeline
        Places moments.
    left, wide : float
        Where the night begins, and how wide it is.
    """

    def __init__(self, sky: NightSky, timeline: Timeline, left: float, wide: float) -> None:
        self._moments = sky.moments
        self._timeline = timeline
        self._left = left
        self._wide = wide

    def draw_twilight(self, painter: QPainter, look: Look, room: QRectF) -> None:
        """Shade a room by the light of the sky.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        room : QRectF
            Its height counts.
        """
        for phase, start, stop in self._phases():
            if phase == NIGHT:
                continue
            area = QRectF(start, room.top(), stop - start, room.height())
            painter.fillRect(area, _light(look, PHASES.index(phase)))

    def draw_moon(self, painter: QPainter, look: Look, lane: QRectF) -> None:
        """Draw the Moon's altitude, fuller the more of it is lit, and name the twilights.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        lane : QRectF
            Where it goes, the horizon below, 90° above.
        """
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
                if other.x() - one.x() < 0.1 * self._wide:  # it may set and rise again
                    painter.drawLine(one, other)
        painter.setPen(QColor(look.ink))
        for phase, start, stop in self._phases():
            words = _SHORT.get(phase, "")
            if words and painter.fontMetrics().horizontalAdvance(words) + 8 < stop - start:
                painter.drawText(
                    QRectF(start, lane.top(), stop - start, lane.height()),
                    Qt.AlignmentFlag.AlignCenter,
                    words,
                )

    def words(self) -> str:
        """Tell what stands at the head of the lane.

        Returns
        -------
        str
            The Moon's illuminated share.
        """
        if all(one.moon_deg <= 0 for one in self._moments):
            return "Moon down"
        middle = self._moments[len(self._moments) // 2]
        return f"Moon {100 * middle.moonlit:.0f} %"

    def _x(self, time_s: float) -> float:
        return self._left + self._wide * self._timeline.place(time_s)

    def _stretches(self) -> Iterator[Sequence[SkyMoment]]:
        run: list[SkyMoment] = []
        for one in self._moments:
            if run and one.time_s - run[-1].time_s > _APART_S:
                yield run
                run = []
            run.append(one)
        if run:
            yield run

    def _phases(self) -> Iterator[tuple[str, float, float]]:
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
    part = step / (len(PHASES) - 1)
    night, day = QColor(look.well), QColor("#4b5563" if look.dark else "#fdf3d0")
    return QColor(
        *(
            round(a + part * (b - a))
            for a, b in zip(night.getRgb()[:3], day.getRgb()[:3], strict=True)
        )
    )
