"""The program's icon."""

from PySide6.QtCore import Qt
from PySide6.QtGui import QIcon, QPainter, QPixmap

from stackbench.window.look import LIGHT, icon_renderer


def app_icon() -> QIcon:
    """Draw the program's icon.

    Returns
    -------
    QIcon
        In a few sizes.
    """
    icon = QIcon()
    for size in (16, 32, 64, 128):
        pixmap = QPixmap(size, size)
        pixmap.fill(Qt.GlobalColor.transparent)
        painter = QPainter(pixmap)
        icon_renderer("app", LIGHT.accent).render(painter)
        painter.end()
        icon.addPixmap(pixmap)
    return icon
