"""What stands in the window's menus, and what of it can be done."""

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING

from PySide6.QtGui import QAction

from stackbench.job.store import Decision
from stackbench.window.commands import Command
from stackbench.window.controller import Controller
from stackbench.window.help import GUIDE, about_text
from stackbench.window.stepbar import STEPS

if TYPE_CHECKING:
    from stackbench.window.mainwindow import MainWindow


DECISIONS = ("Keep", "Reject", "Hand back to the rules")


def main_commands(window: "MainWindow") -> list[Command]:
    """List the commands of the window.

    Parameters
    ----------
    window : MainWindow
        What they are done with.

    Returns
    -------
    list of Command
        In the order of the menus.
    """
    controller = window.controller
    night, subs, go, about = "&Night", "&Subs", "&Go to", "&Help"
    return [
        Command(menu=night, words="Open a night…", key="Ctrl+O", do=window.open_dialog),
        Command(menu=night, words="Another night", key="Ctrl+N", do=window.another_night),
        Command(menu=night, words="", key="", do=_nothing),
        Command(menu=night, words="Stack again", key="F5", do=controller.restack),
        Command(menu=night, words="Stop the work", key="Ctrl+.", do=window.stop),
        Command(
            menu=night, words="Open the folder", key="Ctrl+Shift+O", do=window.beside.open_folder
        ),
        Command(menu=night, words="Open the report", key="", do=window.beside.open_report),
        Command(menu=night, words="", key="", do=_nothing),
        Command(menu=night, words="Settings…", key="Ctrl+,", do=window.beside.show_settings),
        Command(menu=night, words="Quit", key="Ctrl+Q", do=window.close),
        Command(menu=subs, words="Undo", key="Ctrl+Z", do=controller.deciding.undo),
        Command(menu=subs, words="Redo", key="Ctrl+Shift+Z", do=controller.deciding.redo),
        Command(menu=subs, words="", key="", do=_nothing),
        Command(menu=subs, words="Keep", key="K", do=partial(window.decide, Decision.KEEP)),
        Command(menu=subs, words="Reject", key="R", do=partial(window.decide, Decision.REJECT)),
        Command(
            menu=subs, words="Hand back to the rules", key="H", do=partial(window.decide, None)
        ),
        Command(menu=subs, words="", key="", do=_nothing),
        Command(menu=subs, words="Next in Review", key="N", do=partial(window.step, 1)),
        Command(menu=subs, words="Previous in Review", key="B", do=partial(window.step, -1)),
        Command(menu=subs, words="", key="", do=_nothing),
        Command(
            menu=subs,
            words="Limits as they come with the program",
            key="",
            do=controller.restore_limits,
        ),
        *(
            Command(menu=go, words=words, key=f"Ctrl+{n + 1}", do=partial(window.go_to, words))
            for n, words in enumerate(STEPS)
        ),
        Command(
            menu=about, words="Guide", key="F1", do=partial(window.beside.show_page, "Guide", GUIDE)
        ),
        Command(menu=about, words="Keys", key="Ctrl+K", do=window.show_keys),
        Command(
            menu=about,
            words="About",
            key="",
            do=partial(window.beside.show_page, "About", about_text()),
        ),
    ]


def enable_commands(actions: Mapping[str, QAction], controller: Controller) -> None:
    """Let only what can be done be chosen, and say what would be undone.

    Parameters
    ----------
    actions : mapping of str to QAction
        The commands' actions by their words.
    controller : Controller
        Knows what there is.
    """
    state, undo = controller.model.state, controller.deciding.undo_stack
    for words in DECISIONS:
        actions[words].setEnabled(bool(state.groups and controller.model.targets()))
    actions["Undo"].setEnabled(undo.canUndo())
    actions["Redo"].setEnabled(undo.canRedo())
    actions["Undo"].setText(f"Undo: {undo.undoText()}" if undo.canUndo() else "Undo")
    actions["Redo"].setText(f"Redo: {undo.redoText()}" if undo.canRedo() else "Redo")
    actions["Stop the work"].setEnabled(controller.working)
    stale = bool(state.stale or state.outdated)
    actions["Stack again"].setEnabled(stale and not controller.working)
    actions["Open the report"].setEnabled(state.night is not None)
    actions["Open the folder"].setEnabled(controller.session is not None)


def _nothing() -> None:
    """Stand for the line between two groups of a menu."""
