"""Colours, light and dark, and how filters are drawn."""

from collections.abc import Iterable
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QGuiApplication, QPainterPath, QPalette
from PySide6.QtSvg import QSvgRenderer
from PySide6.QtWidgets import QApplication, QStyleFactory

from stackbench.export.hues import FilterMark, filter_marks
from stackbench.window.paths import path_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The colours of one scheme; texts on `ground` and `panel` meet WCAG AA.

    `ink` and `muted` are for text, `line` for what divides, `well` lies behind
    pictures and the ribbon. `accent` marks what is chosen, `accent_ink` is
    text on it. `warn` is for text that asks to be looked at.
    """

    dark: bool
    ground: str
    panel: str
    well: str
    line: str
    ink: str
    muted: str
    accent: str
    accent_ink: str
    warn: str

    def filter_hue(self, mark: FilterMark) -> QColor:
        """Give the colour of a filter.

        Parameters
        ----------
        mark : FilterMark
            The filter's mark.

        Returns
        -------
        QColor
            Its hue; the muted ink for filters without one.
        """
        return QColor(self.muted if mark.hue.startswith("var(") else mark.hue)


LIGHT = Look(
    dark=False,
    ground="#f3f2ee",
    panel="#fcfbf9",
    well="#e6e5df",
    line="#c9c7bf",
    ink="#1d2126",
    muted="#575c63",
    accent="#0067a3",
    accent_ink="#ffffff",
    warn="#9a4a00",
)
DARK = Look(
    dark=True,
    ground="#16191d",
    panel="#1f2329",
    well="#0f1114",
    line="#3b414a",
    ink="#e9ebee",
    muted="#a7adb6",
    accent="#62b9ea",
    accent_ink="#0c1116",
    warn="#f0a95c",
)


def system_look() -> Look:
    """Choose the scheme that the system asks for.

    Returns
    -------
    Look
        Light where the system does not say.
    """
    scheme = QGuiApplication.styleHints().colorScheme()
    return DARK if scheme is Qt.ColorScheme.Dark else LIGHT


def dress(app: QApplication, look: Look) -> None:
    """Give the whole application a look.

    Parameters
    ----------
    app : QApplication
        The application.
    look : Look
        The scheme.
    """
    app.setStyle(QStyleFactory.create("Fusion"))
    app.setPalette(_palette(look))
    app.setStyleSheet(_sheet(look))


def look_of(palette: QPalette) -> Look:
    """Tell which scheme a widget is drawn in.

    Parameters
    ----------
    palette : QPalette
        The widget's palette.

    Returns
    -------
    Look
        The scheme.
    """
    return DARK if palette.color(QPalette.ColorRole.Window).lightness() < 128 else LIGHT


def marks_of(filters: Iterable[str | None]) -> dict[str | None, FilterMark]:
    """Choose a mark for every filter; see `stackbench.export.hues`.

    Parameters
    ----------
    filters : iterable of str or None
        The filters.

    Returns
    -------
    dict
        In the order of wavelengths.
    """
    return filter_marks(filters)


def shape_of(mark: FilterMark) -> QPainterPath:
    """Give the outline of a filter's mark.

    Parameters
    ----------
    mark : FilterMark
        The mark.

    Returns
    -------
    QPainterPath
        Around (0, 0), about 10 px across.
    """
    return path_of(mark.shape)


def _palette(look: Look) -> QPalette:
    palette = QPalette()
    role = QPalette.ColorRole
    for which, colour in (
        (role.Window, look.ground),
        (role.WindowText, look.ink),
        (role.Base, look.panel),
        (role.AlternateBase, look.ground),
        (role.Text, look.ink),
        (role.PlaceholderText, look.muted),
        (role.Button, look.panel),
        (role.ButtonText, look.ink),
        (role.ToolTipBase, look.panel),
        (role.ToolTipText, look.ink),
        (role.Highlight, look.accent),
        (role.HighlightedText, look.accent_ink),
        (role.Link, look.accent),
        (role.Mid, look.line),
        (role.Midlight, look.line),
        (role.Light, look.panel),
        (role.Dark, look.line),
        (role.Accent, look.accent),
    ):
        palette.setColor(which, QColor(colour))
    for which in (role.WindowText, role.Text, role.ButtonText):
        faint = QColor(look.muted)
        faint.setAlpha(140)
        palette.setColor(QPalette.ColorGroup.Disabled, which, faint)
    return palette


def _sheet(look: Look) -> str:
    return f"""
    QLabel[part="title"] {{ font-size: 17pt; font-weight: 600; }}
    QLabel[part="heading"] {{ font-size: 11pt; font-weight: 600; }}
    QLabel[part="muted"] {{ color: {look.muted}; }}
    QLabel[part="warn"] {{ color: {look.warn}; }}
    QFrame[part="card"] {{ background: {look.panel}; border: 1px solid {look.line};
        border-radius: 6px; }}
    QFrame[part="bar"] {{ background: {look.panel}; border: none;
        border-top: 1px solid {look.line}; }}
    QFrame[part="top"] {{ background: {look.panel}; border: none;
        border-bottom: 1px solid {look.line}; }}
    QFrame[part="drop"] {{ background: {look.panel}; border: 2px dashed {look.line};
        border-radius: 8px; }}
    QLineEdit, QComboBox {{ padding: 4px 8px; border: 1px solid {look.line}; border-radius: 5px;
        background: {look.panel}; color: {look.ink}; }}
    QLineEdit:focus, QComboBox:focus {{ border: 1px solid {look.accent}; }}
    QComboBox:disabled {{ color: {_mixed(look.muted, look.panel)}; }}
    QComboBox::drop-down {{ border: none; width: 18px; }}
    QComboBox::down-arrow {{ image: none; width: 0; height: 0; border-left: 4px solid {look.panel};
        border-right: 4px solid {look.panel}; border-top: 5px solid {look.muted}; }}
    QComboBox QAbstractItemView {{ background: {look.panel}; color: {look.ink};
        selection-background-color: {look.accent}; selection-color: {look.accent_ink}; }}
    QCheckBox::indicator {{ width: 12px; height: 12px; border: 1px solid {look.muted};
        border-radius: 3px; background: {look.panel}; }}
    QCheckBox::indicator:checked {{ background: {look.accent}; border: 1px solid {look.accent}; }}
    QCheckBox:focus {{ color: {look.accent}; }}
    QScrollBar:vertical {{ background: transparent; width: 10px; margin: 0; }}
    QScrollBar:horizontal {{ background: transparent; height: 10px; margin: 0; }}
    QScrollBar::handle {{ background: {look.line}; border-radius: 4px; min-height: 28px;
        min-width: 28px; margin: 1px; }}
    QScrollBar::handle:hover {{ background: {look.muted}; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
    QScrollBar::add-page, QScrollBar::sub-page {{ background: transparent; }}
    QSplitter::handle {{ background: transparent; }}
    QPushButton {{ padding: 5px 14px; border: 1px solid {look.line}; border-radius: 5px;
        background: {look.panel}; color: {look.ink}; }}
    QPushButton:hover {{ border-color: {look.muted}; }}
    QPushButton:pressed, QPushButton:checked {{ background: {look.well}; }}
    QPushButton:checked {{ border-color: {look.accent}; font-weight: 600; }}
    QPushButton:focus {{ border: 2px solid {look.accent}; padding: 4px 13px; }}
    QPushButton[part="toggle"] {{ padding: 5px 8px; }}
    QPushButton[part="toggle"]:checked {{ border: 2px solid {look.accent}; padding: 4px 7px;
        font-weight: 400; }}
    QPushButton[part="toggle"]:focus {{ border: 2px solid {look.ink}; padding: 4px 7px; }}
    QPushButton:disabled {{ color: {_mixed(look.muted, look.panel)}; }}
    QPushButton[part="main"] {{ background: {look.accent}; color: {look.accent_ink};
        border-color: {look.accent}; font-weight: 600; }}
    QPushButton[part="main"]:focus {{ border-color: {look.ink}; }}
    QPushButton[part="main"]:disabled {{ background: {look.line}; border-color: {look.line};
        color: {look.muted}; }}
    QToolButton[part="step"] {{ border: none; border-bottom: 3px solid transparent;
        padding: 9px 14px 6px 14px; color: {look.muted}; background: transparent; }}
    QToolButton[part="step"]:hover {{ color: {look.ink}; }}
    QToolButton[part="step"]:checked {{ color: {look.ink}; font-weight: 600;
        border-bottom-color: {look.accent}; }}
    QToolButton[part="step"]:focus {{ background: {look.well}; }}
    QToolButton[part="step"]:disabled {{ color: {_mixed(look.muted, look.panel)}; }}
    QProgressBar {{ border: none; background: {look.well}; border-radius: 3px; height: 6px; }}
    QProgressBar::chunk {{ background: {look.accent}; border-radius: 3px; }}
    QScrollArea {{ border: none; background: transparent; }}
    QScrollArea > QWidget > QWidget {{ background: transparent; }}
    QListView, QTextBrowser, QTableView {{ border: 1px solid {look.line}; border-radius: 6px;
        background: {look.panel}; }}
    QListView::item {{ padding: 3px; }}
    QToolTip {{ background: {look.panel}; color: {look.ink}; border: 1px solid {look.line};
        padding: 4px; }}
    """


def _mixed(one: str, other: str) -> str:
    a, b = QColor(one), QColor(other)
    return QColor(
        (a.red() + b.red()) // 2, (a.green() + b.green()) // 2, (a.blue() + b.blue()) // 2
    ).name()


def icon_renderer(name: str, colour: str) -> QSvgRenderer:
    """Draw one of our icons in a colour.

    Parameters
    ----------
    name : str
        The icon's file name without ending.
    colour : str
        What its strokes are drawn in.

    Returns
    -------
    QSvgRenderer
        The drawing.
    """
    from stackbench.window.icons import icon_svg

    return QSvgRenderer(icon_svg(name, colour))
