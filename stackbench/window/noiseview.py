"""How the noise of a stack fell with the number of its subs."""

from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QColor, QPainter, QPen, QPolygonF

from stackbench.job.noisecurve import NoiseCurve
from stackbench.window.look import Look
from stackbench.window.plot import Axis, Plot

_DOT = 3.0
_NUMBERS = (1, 2, 5)


class NoiseView(Plot):
    """Shows the measured noise as dots, and the √N line of equal subs."""

    def __init__(self) -> None:
        super().__init__("Noise by number of subs")
        self.curve: NoiseCurve | None = None

    def show_curve(self, curve: NoiseCurve) -> None:
        """Show a curve.

        Parameters
        ----------
        curve : NoiseCurve
            Of one stack.
        """
        self.curve = curve
        depth = curve.counts[-1]
        most = max(depth, 2) * 1.15
        low = min(*curve.noise_adu, curve.typical_adu / most**0.5) / 1.12
        high = max(*curve.noise_adu, curve.typical_adu) * 1.12
        wanted = [n * 10**power for power in range(5) for n in _NUMBERS]
        counts = sorted({*(n for n in wanted if n < 0.8 * depth), depth})
        self.show_axes(
            Axis(low=0.9, high=most, log=True, ticks=tuple((n, str(n)) for n in counts)),
            Axis(low=low, high=high, log=True, ticks=_levels(low, high)),
            told="Dots: the noise (ADU) of the mean of the first subs in order of time, nothing "
            f"rejected, measured on {curve.columns} × {curve.rows} pixels in the middle. "
            "Line: how the noise of so many equal, typical subs falls, as 1 / √N. "
            "Both scales are logarithmic.",
        )

    def draw(self, painter: QPainter, look: Look) -> None:
        """Draw the line and the dots.

        Parameters
        ----------
        painter : QPainter
            Paints on the widget.
        look : Look
            The colours.
        """
        curve = self.curve
        if curve is None:
            return
        most = curve.counts[-1]
        ends = [self.place(n, curve.typical_adu / n**0.5) for n in (1, most)]
        painter.setPen(QPen(QColor(look.muted), 1.4, Qt.PenStyle.DashLine))
        painter.drawLine(*ends)
        points = [
            self.place(n, noise) for n, noise in zip(curve.counts, curve.noise_adu, strict=True)
        ]
        painter.setPen(QPen(QColor(look.accent), 1.4))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolyline(QPolygonF(points))
        painter.setBrush(QColor(look.accent))
        for point in points:
            painter.drawEllipse(point, _DOT, _DOT)
        room = self.room()
        painter.setPen(QColor(look.muted))
        words = "- - 1/√N"
        wide = self.fontMetrics().horizontalAdvance(words)
        painter.drawText(
            QPointF(room.right() - wide - 6, room.top() + self.fontMetrics().height()), words
        )


def _levels(low: float, high: float) -> tuple[tuple[float, str], ...]:
    """Choose round values of a logarithmic axis, with words."""
    values = [
        n * 10.0**power
        for power in range(-3, 6)
        for n in (1, 2, 5)
        if low <= n * 10.0**power <= high
    ]
    if len(values) < 2:  # a short axis: its middle will do
        values = [float(f"{(low * high) ** 0.5:.2g}")]
    return tuple((value, f"{value:g}") for value in values)
