"""One of our own drawings, in the colours of the scheme."""

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from stackbench.window.look import icon_renderer, look_of


class Drawing(QWidget):
    """Shows a drawing; it says nothing that words beside it do not say.

    Parameters
    ----------
    name : str
        The drawing's file name without ending.
    size : int
        Width and height.
    """

    def __init__(self, name: str, size: int) -> None:
        super().__init__()
        self._name = name
        self.setFixedSize(size, size)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Draw it sharp at any scaling."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        colour = look_of(self.palette()).muted
        icon_renderer(self._name, colour).render(painter, QRectF(self.rect()))
        painter.end()
