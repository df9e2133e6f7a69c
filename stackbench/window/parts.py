"""Small parts that every page is put together from."""

from PySide6.QtCore import Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QFrame,
    QLabel,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)


def label(text: str, part: str = "", *, wrap: bool = True) -> QLabel:
    """Make a piece of text; `part` says how it looks, see `look`.

    Parameters
    ----------
    text : str
        Plain text.
    part : str
        "title", "heading", "muted", "warn", or empty.
    wrap : bool
        Whether it may take several lines.

    Returns
    -------
    QLabel
        It can be selected with the mouse.
    """
    one = QLabel(text)
    one.setTextFormat(Qt.TextFormat.PlainText)
    one.setProperty("part", part)
    one.setWordWrap(wrap)
    one.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return one


class ElidedLabel(QLabel):
    """A line of text that is cut with an ellipsis where there is no room.

    Its tip is `more`, or else the whole text where that is cut.

    Parameters
    ----------
    part : str
        How it looks, see `label`.
    """

    def __init__(self, part: str = "") -> None:
        super().__init__()
        self.more = ""
        self.setProperty("part", part)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setMinimumWidth(60)
        self.setFixedHeight(26)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: ARG002, N802 - Qt's name
        """Draw what fits."""
        metrics = self.fontMetrics()
        text = metrics.elidedText(self.text(), Qt.TextElideMode.ElideRight, self.width())
        self.setToolTip(self.more or (self.text() if text != self.text() else ""))
        painter = QPainter(self)
        painter.setPen(self.palette().color(self.foregroundRole()))
        painter.drawText(self.rect(), self.alignment(), text)
        painter.end()


def button(text: str, tip: str, *, main: bool = False) -> QPushButton:
    """Make a button.

    Parameters
    ----------
    text : str
        What it says.
    tip : str
        What it does, with its key if it has one.
    main : bool
        Whether it is the page's main one.

    Returns
    -------
    QPushButton
        The button.
    """
    one = QPushButton(text)
    one.setToolTip(tip)
    if main:
        one.setProperty("part", "main")
    return one


def card() -> tuple[QFrame, QVBoxLayout]:
    """Make a frame for things that belong together.

    Returns
    -------
    tuple of QFrame and QVBoxLayout
        The frame, and what lays out its content.
    """
    frame = QFrame()
    frame.setProperty("part", "card")
    layout = QVBoxLayout(frame)
    layout.setContentsMargins(14, 12, 14, 12)
    layout.setSpacing(5)
    return frame, layout


def scrolled(content: QWidget) -> QScrollArea:
    """Let a tall widget be scrolled.

    Parameters
    ----------
    content : QWidget
        The widget.

    Returns
    -------
    QScrollArea
        As wide as there is room.
    """
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setWidget(content)
    return area


def emptied(layout: QVBoxLayout) -> QVBoxLayout:
    """Take everything out of a layout.

    Parameters
    ----------
    layout : QVBoxLayout
        The layout.

    Returns
    -------
    QVBoxLayout
        The same.
    """
    while (item := layout.takeAt(0)) is not None:
        widget = item.widget()
        if widget is not None:
            widget.hide()
            widget.deleteLater()
    return layout
