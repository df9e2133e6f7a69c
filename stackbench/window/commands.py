"""The window's commands with their keys, in menus and on the keyboard sheet."""

from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMainWindow


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One command: the menu it stands in, what it says, its key, what it does."""

    menu: str
    words: str
    key: str
    do: Callable[[], object]


# Keys that belong to a place of the window and to no menu.
PLACE_KEYS = (
    ("In the ribbon", "← →", "the sub before, the next; with Shift they are chosen on the way"),
    ("In the ribbon", "↑ ↓", "move the limit of the current sub’s filter, to see what would turn"),
    ("In the ribbon", "Escape", "choose none"),
    ("In the ribbon", "Ctrl+click", "choose one more, or one less"),
    ("In the ribbon", "Shift+click", "choose all from the current sub to this one"),
    ("In Masters", "Ctrl+L", "keep them in the library"),
    ("In Findings", "↑ ↓", "the finding before, the next; its subs are chosen"),
    ("In Findings", "Enter", "its first sub in Review"),
    ("On a picture", "+  −  0", "enlarge, make smaller, fit"),
    ("In Review", "S", "star shapes"),
    ("In Review", "M", "their FWHM and elongation in nine parts of the field"),
    ("In Stacks", "1 … 6", "layers"),
    ("In Channels", "1 … 9", "channels"),
    ("In Channels", "C", "in colour"),
    ("In Channels", "E", "export"),
)


def add_commands(window: QMainWindow, commands: list[Command]) -> dict[str, QAction]:
    """Put commands into the window's menus.

    Parameters
    ----------
    window : QMainWindow
        The window.
    commands : list of Command
        In the order of the menus; empty words draw a line.

    Returns
    -------
    dict of str to QAction
        By their words.
    """
    menus: dict[str, object] = {}
    actions = {}
    for command in commands:
        if command.menu not in menus:
            menus[command.menu] = window.menuBar().addMenu(command.menu)
        menu = menus[command.menu]
        if not command.words:
            menu.addSeparator()  # type: ignore[attr-defined]
            continue
        action = QAction(command.words, window)
        if command.key:
            action.setShortcut(QKeySequence(command.key))
        action.triggered.connect(lambda _=False, do=command.do: do())
        menu.addAction(action)  # type: ignore[attr-defined]
        actions[command.words] = action
    return actions
