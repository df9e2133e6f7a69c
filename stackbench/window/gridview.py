"""A view of the target's grid that can be moved and enlarged, alone or with another."""

from PySide6.QtCore import QPointF, QRect, QRectF, Qt, Signal
from PySide6.QtGui import (
    QColor,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QResizeEvent,
    QShowEvent,
    QTransform,
    QWheelEvent,
)
from PySide6.QtWidgets import QGraphicsScene, QGraphicsView

from stackbench.window.look import look_of

_STEP = 1.25
_MOST = 24.0


class GridView(QGraphicsView):
    """Shows the pixels of the grid, row 0 at the bottom.

    `whole` is what is seen when all fits, empty while there is nothing.
    `moved` comes when it looks at another part, with the centre and the
    number of screen pixels per grid pixel, but not after `look_at`.

    Parameters
    ----------
    name : str
        What a screen reader calls it.
    """

    moved = Signal(QPointF, float)

    def __init__(self, name: str) -> None:
        super().__init__()
        self.setScene(QGraphicsScene(self))
        self.whole = QRectF()
        self._fitted = True
        self._grabbed: QPointF | None = None
        self._leader: GridView | None = None
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

    def fit(self) -> None:
        """Move and enlarge so that the whole is seen."""
        if self._leader is not None:
            self._leader.fit()
            return
        zoom = self._fitting_zoom()
        if zoom is None or self.viewport().width() < 2:
            return
        centre = self.whole.center()
        self.look_at(centre, zoom)
        self._fitted = True
        self.moved.emit(centre, zoom)

    def follow(self, leader: "GridView") -> None:
        """Look from now on at the part that another view looks at, and the other way round.

        Parameters
        ----------
        leader : GridView
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
        # the scene's rectangle must not hold the view back
        reach = 4 * max(room.width(), room.height()) / zoom + 1
        self.setSceneRect(QRectF(centre.x() - reach, centre.y() - reach, 2 * reach, 2 * reach))
        self.setTransform(QTransform.fromScale(zoom, -zoom))
        self.centerOn(centre)

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
        """Keep what is fitted fitted."""
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

    def _enlarge(self, factor: float, about: QPointF) -> None:
        before = self.mapToScene(about.toPoint())
        least = 0.5 * (self._fitting_zoom() or 0.01)
        zoom = min(max(self.zoom * factor, least), _MOST)
        centre = before + (self.centre - before) * (self.zoom / zoom)
        self._go(centre, zoom)

    def _fitting_zoom(self) -> float | None:
        whole, room = self.whole, self.viewport().rect()
        if whole.isEmpty():
            return None
        return min(room.width() / whole.width(), room.height() / whole.height())

    def _go(self, centre: QPointF, zoom: float) -> None:
        self.look_at(centre, zoom)
        self.moved.emit(centre, zoom)
