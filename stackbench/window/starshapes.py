"""Measured star shapes, drawn as ellipses."""

import numpy as np
from PySide6.QtCore import QRectF
from PySide6.QtGui import QColor, QPen
from PySide6.QtWidgets import QGraphicsEllipseItem, QGraphicsItemGroup

from stackbench.stars.records import StarTable

# A drawn ellipse is this many times as large as the star's FWHM, so that the
# star itself stays to be seen.
_AROUND = 3.0
_MOST_ELLIPSES = 120


def star_shapes(stars: StarTable) -> QGraphicsItemGroup:
    """Draw the shapes of the brightest stars.

    Parameters
    ----------
    stars : StarTable
        The stars, brightest first.

    Returns
    -------
    QGraphicsItemGroup
        In the pixels of the image that they were measured in.
    """
    group = QGraphicsItemGroup()
    pen = QPen(QColor("#E69F00"))
    pen.setCosmetic(True)
    pen.setWidthF(1.3)
    shaped = np.flatnonzero(np.isfinite(stars.fwhm_px) & np.isfinite(stars.eccentricity))
    for n in shaped[:_MOST_ELLIPSES]:
        # fwhm is the geometric mean of the axes, a·b = fwhm²
        ratio = float((1 - stars.eccentricity[n] ** 2) ** 0.25)
        long, short = (_AROUND * float(stars.fwhm_px[n]) * r for r in (1 / ratio, ratio))
        ellipse = QGraphicsEllipseItem(QRectF(-long / 2, -short / 2, long, short))
        ellipse.setPen(pen)
        ellipse.setRotation(float(stars.angle_deg[n]))
        ellipse.setPos(float(stars.x[n]), float(stars.y[n]))
        group.addToGroup(ellipse)
    return group
