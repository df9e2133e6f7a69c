"""The histogram of a master's pixels, with marks."""

from dataclasses import dataclass

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPen

from stackbench.calibration.histogram import Histogram
from stackbench.frames.words import counted
from stackbench.window.look import Look
from stackbench.window.plot import Axis, Plot, round_steps

_TENS = ("1", "10", "100", "10³", "10⁴", "10⁵", "10⁶", "10⁷", "10⁸")


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelMark:
    """A value that is marked, and what it is."""

    value: float
    words: str


class HistogramView(Plot):
    """Shows how many pixels have which value, counts by their logarithms."""

    def __init__(self) -> None:
        super().__init__("Pixels by value")
        self._histogram: Histogram | None = None
        self.marks: tuple[LevelMark, ...] = ()

    def show_histogram(self, histogram: Histogram, marks: tuple[LevelMark, ...], unit: str) -> None:
        """Show a histogram.

        Parameters
        ----------
        histogram : Histogram
            The counts.
        marks : tuple of LevelMark
            Those outside its range are left out.
        unit : str
            The unit of the values.
        """
        self._histogram = histogram
        low, high = histogram.low, histogram.high
        self.marks = tuple(mark for mark in marks if low <= mark.value <= high)
        top = max(*histogram.counts, 9) * 1.5
        tens = [(10.0**n, words) for n, words in enumerate(_TENS) if 10.0**n <= top]
        steps = round_steps(low, high)
        ticks = tuple((value, f"{value:.6g}".replace("-", "−")) for value in steps)
        beyond = "".join(
            f" {counted(number, 'pixel')} lie{'s' if number == 1 else ''} {where}."
            for number, where in ((histogram.below, "below"), (histogram.above, "above"))
            if number
        )
        marked = ", ".join(f"{mark.words} {mark.value:.5g}" for mark in self.marks)
        # every second power of ten is enough to read by
        self.show_axes(
            Axis(low=low, high=high, ticks=ticks),
            Axis(low=0.7, high=top, log=True, ticks=tuple(tens[::2])),
            told=f"From {low:.5g} to {high:.5g} {unit}; marks: {marked}.{beyond}",
        )

    def draw(self, painter: QPainter, look: Look) -> None:
        """Draw the bins and the marks.

        Parameters
        ----------
        painter : QPainter
            Paints on the widget.
        look : Look
            The colours.
        """
        one = self._histogram
        if one is None:
            return
        wide = (one.high - one.low) / len(one.counts)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(QColor(look.muted))
        bottom = self.room().bottom()
        for number, count in enumerate(one.counts):
            if count:
                corner = self.place(one.low + number * wide, count)
                right = self.place(one.low + (number + 1) * wide, count).x()
                painter.drawRect(QRectF(corner, QPointF(right, bottom)))
        self._draw_marks(painter, look)

    def _draw_marks(self, painter: QPainter, look: Look) -> None:
        room, metrics = self.room(), self.fontMetrics()
        lines = [self.place(mark.value, 1).x() for mark in self.marks]
        painter.setPen(QPen(QColor(look.accent), 1.6, Qt.PenStyle.DashLine))
        for x in lines:
            painter.drawLine(QPointF(x, room.top()), QPointF(x, room.bottom()))
        high = metrics.height()
        for number, (mark, x) in enumerate(zip(self.marks, lines, strict=True)):
            wide = metrics.horizontalAdvance(mark.words) + 8.0
            left = _beside(x, wide, lines, (room.left(), room.right()))
            box = QRectF(left, room.top() + 2 + number * (high + 1), wide, high)
            ground = QColor(look.well)
            ground.setAlpha(210)
            painter.fillRect(box, ground)
            painter.setPen(QColor(look.ink))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, mark.words)


def _beside(x: float, wide: float, lines: list[float], room: tuple[float, float]) -> float:
    """Place words on that side of their line where fewer other lines pass through them."""
    sides = [left for left in (x + 2, x - wide - 2) if room[0] <= left and left + wide <= room[1]]
    if not sides:
        return min(max(x - wide / 2, room[0]), room[1] - wide)
    return min(sides, key=lambda left: sum(left <= other <= left + wide for other in lines))
