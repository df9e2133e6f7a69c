"""The sky in the ribbon: twilight as shading, the Moon's altitude in a lane of its own."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from functools import cached_property
from itertools import groupby

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPainterPath, QPen

from stackbench.job.skies import NightSky, SkyMoment
from stackbench.window.look import Look
from stackbench.window.ribbonroom import GUTTER, RibbonRoom
from stackbench.window.skywords import DAY, NIGHT, PHASES, moment_words, night_words, phase_of
from stackbench.window.timeline import Timeline

_SHORT = {"astronomical twilight": "astronomical", "nautical twilight": "nautical"}
_SHORT |= {"civil twilight": "civil", DAY: "day"}
# How far each phase is mixed with the colour of day; steps that can be told apart.
_SHARES = (0.0, 0.35, 0.6, 0.82, 1.0)
# Moments further apart belong to different stretches of the night.
_APART_S = 120.0


class SkyBand:
    """Draws a night's sky in the ribbon; places are worked out once, from 0 to 1.

    Parameters
    ----------
    sky : NightSky
        The sky; empty draws nothing.
    timeline : Timeline
        Places moments.
    """

    def __init__(self, sky: NightSky, timeline: Timeline) -> None:
        self.sky = sky
        self.timeline = timeline
        self._phases = tuple(self._find_phases())
        self._moon = tuple(
            [(timeline.place(one.time_s), one) for one in run] for run in self._stretches()
        )

    @cached_property
    def words(self) -> str:
        """The whole night's sky in words.

        Returns
        -------
        str
            See `night_words`.
        """
        return night_words(self.sky)

    def words_at(self, place: float) -> str:
        """Tell of the sky at a place of the timeline.

        Parameters
        ----------
        place : float
            From 0 to 1.

        Returns
        -------
        str
            See `moment_words`; empty beside the night.
        """
        moment_s = self.timeline.moment(place)
        if moment_s is None:
            return ""
        return moment_words(self.sky, datetime.fromtimestamp(moment_s, tz=UTC))

    def draw_twilight(self, painter: QPainter, look: Look, room: RibbonRoom) -> None:
        """Shade the night by the light of the sky.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        room : RibbonRoom
            Where everything lies.
        """
        night = room.night()
        for phase, start, stop in self._phases:
            if phase == NIGHT:
                continue
            left, right = room.x(start), room.x(stop)
            area = QRectF(left, night.top(), right - left, night.height())
            painter.fillRect(area, _light(look, PHASES.index(phase)))

    def draw_moon(self, painter: QPainter, look: Look, room: RibbonRoom) -> None:
        """Draw the Moon's altitude, fuller the more of it is lit, and name the twilights.

        The horizon is the lane's lower edge, 90° its upper one.

        Parameters
        ----------
        painter : QPainter
            Where to.
        look : Look
            The colours.
        room : RibbonRoom
            Where everything lies.
        """
        if not self.sky.moments:
            return
        lane = room.sky_lane()
        painter.setPen(look.muted)
        head = QRectF(26, lane.top(), GUTTER - 32, lane.height())
        painter.drawText(head, Qt.AlignmentFlag.AlignVCenter, self._head())
        floor, height = lane.bottom() - 1, lane.height() - 3
        for run in self._moon:
            points = [
                (room.x(place), floor - height * max(one.moon_deg, 0.0) / 90) for place, one in run
            ]
            below = [(points[0][0], floor), *points, (points[-1][0], floor)]
            fill = QColor(look.muted)
            fill.setAlpha(round(20 + 110 * run[0][1].moonlit))
            painter.setPen(Qt.PenStyle.NoPen)
            painter.setBrush(fill)
            painter.drawPath(_path(below))
            painter.setPen(QPen(QColor(look.muted), 1))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            # it may set and rise again
            for up, part in groupby(zip(points, run, strict=True), lambda pair: _is_up(pair[1])):
                if up:
                    painter.drawPath(_path([point for point, _ in part]))
        painter.setPen(QColor(look.ink))
        for phase, start, stop in self._phases:
            words, left, right = _SHORT.get(phase, ""), room.x(start), room.x(stop)
            if words and painter.fontMetrics().horizontalAdvance(words) + 8 < right - left:
                painter.drawText(
                    QRectF(left, lane.top(), right - left, lane.height()),
                    Qt.AlignmentFlag.AlignCenter,
                    words,
                )

    def _head(self) -> str:
        moments = self.sky.moments
        if all(one.moon_deg <= 0 for one in moments):
            return "Moon down"
        return f"Moon {100 * moments[len(moments) // 2].moonlit:.0f} %"

    def _stretches(self) -> Iterator[Sequence[SkyMoment]]:
        run: list[SkyMoment] = []
        for one in self.sky.moments:
            if run and one.time_s - run[-1].time_s > _APART_S:
                yield run
                run = []
            run.append(one)
        if run:
            yield run

    def _find_phases(self) -> Iterator[tuple[str, float, float]]:
        """Yield the phases of every stretch with the places of their begin and end."""
        for run in self._stretches():
            starts = [(phase, next(some)) for phase, some in groupby(run, phase_of)]
            places = [self.timeline.place(one.time_s) for _, one in starts]
            stops = [*places[1:], self.timeline.place(run[-1].time_s)]
            for (phase, _), start, stop in zip(starts, places, stops, strict=True):
                yield phase, start, stop


def _path(points: Sequence[tuple[float, float]]) -> QPainterPath:
    path = QPainterPath()
    path.moveTo(*points[0])
    for x, y in points[1:]:
        path.lineTo(x, y)
    return path


def _is_up(placed: tuple[float, SkyMoment]) -> bool:
    return placed[1].moon_deg > 0


def _light(look: Look, step: int) -> QColor:
    """Mix the colour of a phase of twilight, from that of the night to that of day."""
    part = _SHARES[step]
    night, day = QColor(look.well), QColor("#4b5563" if look.dark else "#fdf3d0")
    return QColor(
        round(night.red() + part * (day.red() - night.red())),
        round(night.green() + part * (day.green() - night.green())),
        round(night.blue() + part * (day.blue() - night.blue())),
    )
