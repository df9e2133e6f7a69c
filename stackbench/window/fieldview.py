"""A picture of a field of stars, with every pixel of what is enlarged, and marks over it."""

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRect, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QPainter, QPixmap, QTransform
from PySide6.QtWidgets import QGraphicsItemGroup, QGraphicsPixmapItem

from stackbench.job.pictures import Picture
from stackbench.stars.records import StarTable
from stackbench.stars.zones import Zones
from stackbench.window.gridview import GridView
from stackbench.window.look import look_of
from stackbench.window.pixmaps import colour_pixmap, grey_pixmap, transform_of
from stackbench.window.starshapes import star_shapes
from stackbench.window.zonesmap import draw_zones

# From here single pixels are to be seen, not smoothed away.
_PLAIN_FROM = 3.0
# A pixel of the averaged picture that is larger than this on screen looks blurred.
_BLURRED = 1.3
_SETTLED_MS = 120


class FieldView(GridView):
    """Shows a picture where it lies on the target's grid, or words.

    `detail_wanted` comes with a part of the image, in its pixels, that is
    enlarged beyond what the averaged picture shows.

    Parameters
    ----------
    name : str
        What a screen reader calls it.
    """

    detail_wanted = Signal(QRect)

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self._item = QGraphicsPixmapItem()
        self._item.setTransformationMode(Qt.TransformationMode.SmoothTransformation)
        self._detail = QGraphicsPixmapItem()
        self._detail.setZValue(1)
        self._detail.hide()
        for item in (self._item, self._detail):
            self.scene().addItem(item)
        self._stars: QGraphicsItemGroup | None = None
        self._zones: Zones | None = None
        self._picture: Picture | None = None
        self._matrix = QTransform()
        self._words = ""
        self._settled = QTimer(self, singleShot=True, interval=_SETTLED_MS)
        self._settled.timeout.connect(self._ask_for_detail)

    @property
    def words(self) -> str:
        """What is written in place of a picture.

        Returns
        -------
        str
            Empty while a picture is shown.
        """
        return self._words

    def show_picture(
        self, picture: Picture, matrix: NDArray[np.float64] | None = None, *, home: bool = False
    ) -> None:
        """Show a picture.

        Parameters
        ----------
        picture : Picture
            The picture.
        matrix : ndarray, shape (3, 3), optional
            From the image's pixels to the grid's; None for the same.
        home : bool
            Move so that it fits.
        """
        self._show(grey_pixmap(picture.grey), picture, matrix, home=home)

    def show_detail(self, picture: Picture, place: QRect) -> None:
        """Lay every pixel of a part over the picture.

        Parameters
        ----------
        picture : Picture
            The part, not averaged.
        place : QRect
            Which part, as it was wanted.
        """
        self._lay_over(grey_pixmap(picture.grey), place)

    def show_colour_detail(self, red: Picture, green: Picture, blue: Picture, place: QRect) -> None:
        """Lay every pixel of a part over the picture in colour.

        Parameters
        ----------
        red, green, blue : Picture
            The part in each colour, not averaged.
        place : QRect
            Which part, as it was wanted.
        """
        self._lay_over(colour_pixmap(red.grey, green.grey, blue.grey), place)

    def show_colours(self, red: Picture, green: Picture, blue: Picture) -> None:
        """Show three pictures of equal size as the colours of one.

        Parameters
        ----------
        red, green, blue : Picture
            The pictures.
        """
        self._show(colour_pixmap(red.grey, green.grey, blue.grey), red, None)

    def show_words(self, words: str) -> None:
        """Write words where the picture would be.

        Parameters
        ----------
        words : str
            Why there is none.
        """
        self._words = words
        self._item.hide()
        self._detail.hide()
        self._picture = None
        self.show_stars(None)
        self.show_zones(None)

    def show_zones(self, zones: Zones | None) -> None:
        """Draw how the stars' shape changes across the field.

        Parameters
        ----------
        zones : Zones or None
            On the grid; None for none.
        """
        self._zones = zones
        self.viewport().update()

    def show_stars(self, stars: StarTable | None) -> None:
        """Draw the shapes of the measured stars over the picture.

        Parameters
        ----------
        stars : StarTable or None
            In the pixels of the image that is shown; None for none.
        """
        if self._stars is not None:
            self.scene().removeItem(self._stars)
            self._stars = None
        if stars is None:
            return
        group = star_shapes(stars)
        group.setTransform(self._matrix)
        group.setZValue(2)
        self.scene().addItem(group)
        self._stars = group

    def look_at(self, centre: QPointF, zoom: float) -> None:
        """Move and enlarge; soon the pixels of what is enlarged are wanted.

        Parameters
        ----------
        centre : QPointF
            What comes to lie in the middle, on the grid.
        zoom : float
            Screen pixels per grid pixel.
        """
        super().look_at(centre, zoom)
        mode = Qt.TransformationMode
        for item in (self._item, self._detail):
            item.setTransformationMode(
                mode.SmoothTransformation if zoom < _PLAIN_FROM else mode.FastTransformation
            )
        self._settled.start()

    def drawForeground(self, painter: QPainter, rect: QRectF | QRect) -> None:  # noqa: ARG002, N802
        """Write the words, or draw the map of star shapes."""
        if self._zones is not None:
            to_screen = painter.transform()
            painter.save()
            painter.resetTransform()
            draw_zones(painter, self._zones, to_screen)
            painter.restore()
        if not self._words:
            return
        painter.save()
        painter.resetTransform()
        painter.setPen(QColor(look_of(self.palette()).muted))
        room = self.viewport().rect().adjusted(24, 24, -24, -24)
        painter.drawText(room, Qt.AlignmentFlag.AlignCenter | Qt.TextFlag.TextWordWrap, self._words)
        painter.restore()

    def _ask_for_detail(self) -> None:
        picture = self._picture
        if picture is None or picture.factor == 1:
            return
        if self.zoom * picture.factor * self.devicePixelRatioF() < _BLURRED:
            return
        back, possible = self._matrix.inverted()
        seen = self.mapToScene(self.viewport().rect()).boundingRect()
        ny, nx = picture.shape
        part = back.mapRect(seen).toAlignedRect() & QRect(0, 0, nx, ny)
        if possible and not part.isEmpty():
            self.detail_wanted.emit(part)

    def _lay_over(self, pixmap: QPixmap, place: QRect) -> None:
        own = QTransform.fromTranslate(place.left() - 0.5, place.top() - 0.5)
        self._detail.setPixmap(pixmap)
        self._detail.setTransform(own * self._matrix)
        self._detail.setTransformationMode(self._item.transformationMode())
        self._detail.show()

    def _show(
        self,
        pixmap: QPixmap,
        picture: Picture,
        matrix: NDArray[np.float64] | None,
        *,
        home: bool = False,
    ) -> None:
        self._words = ""
        self._item.setPixmap(pixmap)
        self._place(picture, matrix)
        self._item.show()
        if self._leader is None and (home or self._fitted):
            self.fit()
        self.viewport().update()

    def _place(self, picture: Picture, matrix: NDArray[np.float64] | None) -> None:
        self._picture = picture
        self._detail.hide()
        self._settled.start()
        self._matrix = QTransform() if matrix is None else transform_of(matrix)
        # pixel 0 of the image has its centre at 0, a drawn pixel its edge
        own = QTransform()
        own.translate(-0.5, -0.5)
        own.scale(picture.factor, picture.factor)
        self._item.setTransform(own * self._matrix)
        self.whole = self._item.sceneBoundingRect()
