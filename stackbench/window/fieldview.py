"""A field of stars on the grid: a picture that can be moved and enlarged."""

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QPointF, QRect, QRectF, Qt, QTimer, Signal
from PySide6.QtGui import (
    QColor,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPixmap,
    QResizeEvent,
    QShowEvent,
    QTransform,
    QWheelEvent,
)
from PySide6.QtWidgets import (
    QGraphicsItemGroup,
    QGraphicsPixmapItem,
    QGraphicsScene,
    QGraphicsView,
    QWidget,
)

from stackbench.job.pictures import Picture
from stackbench.stars.records import StarTable
from stackbench.stars.zones import Zones
from stackbench.window.look import look_of
from stackbench.window.pixmaps import colour_pixmap, grey_pixmap, transform_of
from stackbench.window.starshapes import star_shapes
from stackbench.window.zonesmap import draw_zones

_STEP = 1.25
_MOST = 24.0
# From here single pixels are to be seen, not smoothed away.
_PLAIN_FROM = 3.0
# A pixel of the averaged picture that is larger than this on screen looks blurred.
_BLURRED = 1.3
_SETTLED_MS = 120


class FieldView(QGraphicsView):
    """Shows a picture in the pixels of the target's grid, row 0 at the bottom.

    `moved` comes when it looks at another part, with the centre and the
    number of screen pixels per grid pixel, but not after `look_at`.
    `detail_wanted` comes with a part of the image, in its pixels, that is
    enlarged beyond what the averaged picture shows.
    """

    moved = Signal(QPointF, float)
    detail_wanted = Signal(QRect)

    def __init__(self, name: str, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._scene = QGraphicsScene(self)
        self.setScene(self._scene)
        self._item = QGraphicsPixmapItem()
        self._item.setTransformationMode(Qt.TransformationMode.SmoothTransformation)
        self._scene.addItem(self._item)
        self._stars: QGraphicsItemGroup | None = None
        self._zones: Zones | None = None
        self._detail = QGraphicsPixmapItem()
        self._detail.setZValue(1)
        self._detail.hide()
        self._scene.addItem(self._detail)
        self._picture: Picture | None = None
        self._settled = QTimer(self, singleShot=True, interval=_SETTLED_MS)
        self._settled.timeout.connect(self._ask_for_detail)
        self._words = ""
        self._fitted = True
        self._grabbed: QPointF | None = None
        self._leader: FieldView | None = None
        self._matrix = QTransform()
        self.setAccessibleName(name)
        self.setFrameShape(QGraphicsView.Shape.NoFrame)
        self.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
        self.setTransformationAnchor(QGraphicsView.ViewportAnchor.NoAnchor)
        self.setResizeAnchor(QGraphicsView.ViewportAnchor.NoAnchor)
        for policy in (self.setHorizontalScrollBarPolicy, self.setVerticalScrollBarPolicy):
            policy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setMinimumSize(160, 120)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setToolTip("Drag to move, wheel or + and − to enlarge, 0 to fit")

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
        self._words = ""
        self._item.setPixmap(grey_pixmap(picture.grey))
        self._place(picture, matrix)
        self._item.show()
        if self._leader is None and (home or self._fitted):
            self.fit()
        self.viewport().update()

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
        self._words = ""
        self._item.setPixmap(colour_pixmap(red.grey, green.grey, blue.grey))
        self._place(red, None)
        self._item.show()
        if self._fitted:
            self.fit()
        self.viewport().update()

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
            self._scene.removeItem(self._stars)
            self._stars = None
        if stars is None:
            return
        group = star_shapes(stars)
        group.setTransform(self._matrix)
        group.setZValue(2)
        self._scene.addItem(group)
        self._stars = group

    def fit(self) -> None:
        """Move and enlarge so that the whole picture is seen."""
        if self._leader is not None:
            self._leader.fit()
            return
        rect = self._item.sceneBoundingRect()
        if rect.isEmpty() or self.viewport().width() < 2:
            return
        room = self.viewport().rect()
        zoom = min(room.width() / rect.width(), room.height() / rect.height())
        self.look_at(rect.center(), zoom)
        self._fitted = True
        self.moved.emit(rect.center(), zoom)

    def follow(self, leader: "FieldView") -> None:
        """Look from now on at the part that another view looks at, and the other way round.

        Parameters
        ----------
        leader : FieldView
            The view that decides what fits.
        """
        self._leader = leader
        leader.moved.connect(self.look_at)
        self.moved.connect(leader.look_at)

    def look_at(self, centre: QPointF, zoom: float) -> None:
        """Move and enlarge; `moved` does not come.

        Parameters
        ----------
        centre : QPointF
            What comes to lie in the middle, on the grid.
        zoom : float
            Screen pixels per grid pixel.
        """
        self._fitted = False
        room = self.viewport().rect()
        transform = QTransform()
        transform.translate(room.width() / 2, room.height() / 2)
        transform.scale(zoom, -zoom)
        transform.translate(-centre.x(), -centre.y())
        # the scene's rectangle must not hold the view back
        reach = 4 * max(room.width(), room.height()) / zoom + 1
        self.setSceneRect(QRectF(centre.x() - reach, centre.y() - reach, 2 * reach, 2 * reach))
        self.setTransform(QTransform.fromScale(zoom, -zoom))
        self.centerOn(centre)
        mode = Qt.TransformationMode
        for item in (self._item, self._detail):
            item.setTransformationMode(
                mode.SmoothTransformation if zoom < _PLAIN_FROM else mode.FastTransformation
            )
        self._settled.start()

    @property
    def zoom(self) -> float:
        """How far it is enlarged.

        Returns
        -------
        float
            Screen pixels per grid pixel.
        """
        return self.transform().m11()

    @property
    def centre(self) -> QPointF:
        """What lies in the middle.

        Returns
        -------
        QPointF
            On the grid.
        """
        return self.mapToScene(self.viewport().rect().center())

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802 - Qt's name
        """Enlarge about the pointer."""
        steps = event.angleDelta().y() / 120
        self._enlarge(_STEP**steps, event.position())
        event.accept()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Take hold of the picture."""
        if event.button() is Qt.MouseButton.LeftButton:
            self._grabbed = event.position()
            self.viewport().setCursor(Qt.CursorShape.ClosedHandCursor)
        self.setFocus(Qt.FocusReason.MouseFocusReason)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802 - Qt's name
        """Move the picture along."""
        if self._grabbed is None:
            return
        step = event.position() - self._grabbed
        self._grabbed = event.position()
        zoom = self.zoom
        self._go(self.centre - QPointF(step.x() / zoom, -step.y() / zoom), zoom)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Let go of the picture."""
        self._grabbed = None
        self.viewport().unsetCursor()

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Fit the picture."""
        self.fit()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802 - Qt's name
        """Enlarge, fit."""
        middle = QPointF(self.viewport().rect().center())
        key = event.key()
        if key in (Qt.Key.Key_Plus, Qt.Key.Key_Equal):
            self._enlarge(_STEP, middle)
        elif key == Qt.Key.Key_Minus:
            self._enlarge(1 / _STEP, middle)
        elif key == Qt.Key.Key_0:
            self.fit()
        else:
            event.ignore()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802 - Qt's name
        """Keep a fitted picture fitted."""
        super().resizeEvent(event)
        if self._leader is not None:
            self.look_at(self._leader.centre, self._leader.zoom)
        elif self._fitted:
            self.fit()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802 - Qt's name
        """Fit once there is room."""
        super().showEvent(event)
        if self._fitted and self._leader is None:
            self.fit()

    def drawBackground(self, painter: QPainter, rect: QRectF | QRect) -> None:  # noqa: N802
        """Fill what lies around the picture."""
        painter.fillRect(rect, QColor(look_of(self.palette()).well))

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

    def _enlarge(self, factor: float, about: QPointF) -> None:
        before = self.mapToScene(about.toPoint())
        least = 0.5 * self._fitting_zoom()
        zoom = min(max(self.zoom * factor, least), _MOST)
        centre = before + (self.centre - before) * (self.zoom / zoom)
        self._go(centre, zoom)

    def _fitting_zoom(self) -> float:
        rect = self._item.sceneBoundingRect()
        room = self.viewport().rect()
        if rect.isEmpty():
            return 0.01
        return min(room.width() / rect.width(), room.height() / rect.height())

    def _go(self, centre: QPointF, zoom: float) -> None:
        self.look_at(centre, zoom)
        self.moved.emit(centre, zoom)
