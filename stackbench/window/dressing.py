"""How the whole application is dressed: palette and style sheet of a scheme."""

from PySide6.QtGui import QColor, QPalette
from PySide6.QtWidgets import QApplication, QStyleFactory

from stackbench.window.icons import icon_path
from stackbench.window.look import Look


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
    tick = icon_path(f"tick-{'dark' if look.dark else 'light'}").as_posix()
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
    QFrame[part="drop"] {{ background: {look.panel}; border: 2px dashed {look.edge};
        border-radius: 8px; }}
    QLineEdit, QComboBox {{ padding: 4px 8px; border: 1px solid {look.edge}; border-radius: 5px;
        background: {look.panel}; color: {look.ink}; }}
    QLineEdit:focus, QComboBox:focus {{ border: 2px solid {look.accent}; padding: 3px 7px; }}
    QComboBox:disabled {{ color: {_mixed(look.muted, look.panel)}; }}
    QComboBox::drop-down {{ border: none; width: 18px; }}
    QComboBox::down-arrow {{ image: none; width: 0; height: 0; border-left: 4px solid {look.panel};
        border-right: 4px solid {look.panel}; border-top: 5px solid {look.muted}; }}
    QComboBox QAbstractItemView {{ background: {look.panel}; color: {look.ink};
        selection-background-color: {look.accent}; selection-color: {look.accent_ink}; }}
    QCheckBox {{ padding: 2px 5px; border: 2px solid transparent; border-radius: 5px; }}
    QCheckBox:focus {{ border-color: {look.accent}; }}
    QCheckBox::indicator, QListView::indicator {{ width: 14px; height: 14px;
        border: 1px solid {look.edge}; border-radius: 3px; background: {look.panel}; }}
    QCheckBox::indicator:checked, QListView::indicator:checked {{ background: {look.accent};
        border: 1px solid {look.accent}; image: url({tick}); }}
    QCheckBox::indicator:disabled {{ border-color: {look.line}; }}
    QScrollBar:vertical {{ background: transparent; width: 10px; margin: 0; }}
    QScrollBar:horizontal {{ background: transparent; height: 10px; margin: 0; }}
    QScrollBar::handle {{ background: {look.edge}; border-radius: 4px; min-height: 28px;
        min-width: 28px; margin: 1px; }}
    QScrollBar::handle:hover {{ background: {look.muted}; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
    QScrollBar::add-page, QScrollBar::sub-page {{ background: transparent; }}
    QSplitter::handle {{ background: transparent; }}
    QPushButton {{ padding: 5px 14px; border: 1px solid {look.edge}; border-radius: 5px;
        background: {look.panel}; color: {look.ink}; }}
    QPushButton:hover {{ border-color: {look.muted}; }}
    QPushButton:pressed, QPushButton:checked {{ background: {look.well}; }}
    QPushButton:checked {{ border-color: {look.accent}; font-weight: 600; }}
    QPushButton:focus {{ border: 2px solid {look.accent}; padding: 4px 13px; }}
    QPushButton[part="toggle"] {{ padding: 5px 8px; }}
    QPushButton[part="toggle"]:checked {{ border: 2px solid {look.accent}; padding: 4px 7px;
        font-weight: 400; }}
    QPushButton[part="toggle"]:focus {{ border: 2px solid {look.ink}; padding: 4px 7px; }}
    QPushButton[part="toggle"]:checked:disabled {{ border-color: {look.line}; }}
    QPushButton[part="row"] {{ padding: 0; text-align: left; }}
    QPushButton:disabled {{ border-color: {look.line}; color: {_mixed(look.muted, look.panel)}; }}
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
    QToolButton[part="step"]:focus {{ border: 2px solid {look.accent}; border-radius: 5px;
        padding: 7px 12px 7px 12px; color: {look.ink}; }}
    QToolButton[part="step"]:disabled {{ color: {_mixed(look.muted, look.panel)}; }}
    QProgressBar {{ border: none; background: {look.well}; border-radius: 3px; height: 6px; }}
    QProgressBar::chunk {{ background: {look.accent}; border-radius: 3px; }}
    QScrollArea {{ border: none; background: transparent; }}
    QScrollArea > QWidget > QWidget {{ background: transparent; }}
    QListView, QTextBrowser, QTableView {{ border: 1px solid {look.line}; border-radius: 6px;
        background: {look.panel}; }}
    QGraphicsView {{ border: 2px solid transparent; }}
    QGraphicsView:focus {{ border-color: {look.accent}; }}
    QListView:focus, QTextBrowser:focus, QTableView:focus {{
        border: 2px solid {look.accent}; }}
    QListView::item {{ padding: 3px; }}
    QListView, QTableView {{ outline: 1px solid {look.edge}; }}
    QToolTip {{ background: {look.panel}; color: {look.ink}; border: 1px solid {look.line};
        padding: 4px; }}
    """


def _mixed(one: str, other: str) -> str:
    a, b = QColor(one), QColor(other)
    return QColor(
        (a.red() + b.red()) // 2, (a.green() + b.green()) // 2, (a.blue() + b.blue()) // 2
    ).name()
