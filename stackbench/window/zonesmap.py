"""The map of star shapes that is laid over a picture."""

import math

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QFontMetricsF, QPainter, QPen, QTransform

from stackbench.stars.zones import Zones

_INK = QColor("#F0E442")
_SHADE = QColor(0, 0, 0, 150)
_GRID = QColor(240, 228, 66, 110)
# Below this the common elongation is that of noise: no direction is drawn.
_ROUND = 0.2
_ROOM_FOR_TWO_LINES = 84.0


def draw_zones(painter: QPainter, zones: Zones, to_screen: QTransform) -> None:
    """Draw each zone's FWHM, elongation and its direction.

    Parameters
    ----------
    painter : QPainter
        In screen pixels.
    zones : Zones
        On the grid.
    to_screen : QTransform
        From the grid to screen pixels, upright.
    """
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    whole = QRectF(zones.left, zones.bottom, zones.width, zones.height)
    across, up = whole.width() / 3, whole.height() / 3
    painter.setPen(QPen(_GRID, 1.0))
    for n in (1, 2):
        x, y = whole.left() + n * across, whole.top() + n * up
        for ends in (
            (QPointF(x, whole.top()), QPointF(x, whole.bottom())),
            (QPointF(whole.left(), y), QPointF(whole.right(), y)),
        ):
            painter.drawLine(*(to_screen.map(end) for end in ends))
    for j in range(3):
        for i in range(3):
            corner = QPointF(whole.left() + i * across, whole.top() + j * up)
            cell = to_screen.mapRect(QRectF(corner.x(), corner.y(), across, up))
            _draw_zone(painter, cell, zones, j, i)
    painter.restore()


def zone_words(zones: Zones, j: int, i: int) -> tuple[str, str]:
    """Write what a zone's stars are like.

    Parameters
    ----------
    zones : Zones
        All zones.
    j, i : int
        Row and column.

    Returns
    -------
    tuple of str and str
        FWHM, and eccentricity with its direction where there is one.
    """
    fwhm, eccentricity = float(zones.fwhm_px[j, i]), float(zones.eccentricity[j, i])
    if math.isnan(fwhm):
        return "too few stars", ""
    turned = f" at {zones.angle_deg[j, i]:.0f}°" if eccentricity >= _ROUND else ""
    return f"{fwhm:.2f} px", f"{eccentricity:.2f}{turned}"


def _draw_zone(painter: QPainter, cell: QRectF, zones: Zones, j: int, i: int) -> None:
    metrics = QFontMetricsF(painter.font())
    words, high = _words_within(cell, metrics, zones, j, i), metrics.height()
    known = not math.isnan(float(zones.fwhm_px[j, i]))
    drawn = min(cell.height() - len(words) * high - 10, cell.width(), 56.0)
    tall = len(words) * high + 4
    top = cell.center().y() - (tall + (max(drawn, 0.0) if known else 0.0)) / 2
    if known and drawn >= 12:
        _draw_shape(painter, QPointF(cell.center().x(), top + drawn / 2), drawn - 6, zones, j, i)
        top += drawn
    if words:
        size = _size(metrics, words)
        box = QRectF(cell.center().x() - size / 2, top, size, tall)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(_SHADE)
        painter.drawRoundedRect(box, 4, 4)
        painter.setPen(_INK)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, "\n".join(words))


def _words_within(
    cell: QRectF, metrics: QFontMetricsF, zones: Zones, j: int, i: int
) -> tuple[str, ...]:
    """Choose as much of a zone's words as its place on the screen has room for."""
    fwhm, eccentricity = float(zones.fwhm_px[j, i]), float(zones.eccentricity[j, i])
    full = tuple(one for one in zone_words(zones, j, i) if one)
    if math.isnan(fwhm):
        choice: tuple[tuple[str, ...], ...] = (full, ("few",))
    else:
        choice = ((f"{fwhm:.2f}  {eccentricity:.2f}",), (f"{fwhm:.2f}",), (f"{fwhm:.1f}",))
        if cell.height() >= _ROOM_FOR_TWO_LINES:
            choice = (full, *choice)
    return next((words for words in choice if _size(metrics, words) <= cell.width()), ())


def _size(metrics: QFontMetricsF, words: tuple[str, ...]) -> float:
    return max(metrics.horizontalAdvance(one) for one in words) + 12


def _draw_shape(
    painter: QPainter, centre: QPointF, room: float, zones: Zones, j: int, i: int
) -> None:
    """Draw an ellipse as long as its zone's stars are wide against the widest zone."""
    widths = [float(width) for width in zones.fwhm_px.flat if not math.isnan(width)]
    eccentricity = float(zones.eccentricity[j, i])
    ratio = (1 - eccentricity**2) ** 0.25
    size = room * float(zones.fwhm_px[j, i]) / max(widths)
    long, short = size / max(ratio, 0.4) * 0.8, size * ratio * 0.8
    painter.save()
    painter.translate(centre)
    painter.rotate(-float(zones.angle_deg[j, i]))  # y runs down on the screen
    painter.setBrush(_SHADE)
    painter.setPen(QPen(_INK, 1.6))
    painter.drawEllipse(QPointF(0, 0), long / 2, short / 2)
    if eccentricity >= _ROUND:
        painter.drawLine(QPointF(-long / 2, 0), QPointF(long / 2, 0))
    painter.restore()
