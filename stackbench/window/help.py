"""The short guide and the keyboard sheet."""

from collections.abc import Iterable

from PySide6.QtGui import QAction
from PySide6.QtWidgets import QDialog, QDialogButtonBox, QTextBrowser, QVBoxLayout, QWidget

from stackbench import __version__
from stackbench.window.commands import PLACE_KEYS

GUIDE = """
# From a night's folder to aligned channels

1. **Begin.** Drop the folder that holds the night's frames, lights and calibration frames
   together or each in folders of their own. Say where the output goes, and begin. Raw frames are
   only ever read.
2. **While it works** the *Frames* page tells what was found, what calibrates what, and what is
   missing. You can stop at any moment: what is finished stays, and the work goes on from there.
   Where a header says the wrong kind or filter, or none, choose the frames under *One by one* and
   set it by hand; then go on.
3. **Decide.** In the *night ribbon* time runs from left to right, one lane for each filter, one
   cell for each sub. Click a cell to see the sub in *Review*, beside the best one of its filter.
   Drag over cells to choose a stretch. Keep, reject, or hand back to the rules; every decision can
   be undone. Under the lanes a measure is drawn with its limits: drag a limit's mark at the right
   edge, or move it by ↑ and ↓, to see which verdicts would turn, then judge by it or put it back.
   An arrow at a mark says that its value lies far beyond the scale. Where headers give the site,
   twilight is shaded and the Moon's altitude is drawn above the lanes; point at a time to read
   both.
4. **Stack again.** Decisions and other settings put stacks out of date; one button stacks just
   those again.
5. **Look.** *Stacks* shows each filter's stack with its layers, how its noise fell with every sub,
   and what the doubtful subs would change in it.
6. **Hand over.** *Channels* shows the finished channels, all on one grid. *Export…* writes those
   you choose to a folder of yours: FITS and TIFF to go on with, PNG to look at. The report and
   tables lie in the output folder.

# What happened, and how sure that is

*Findings* tells what the night's own measures show: cloud, twilight, the Moon, focus, tracking,
polar alignment, optics, seeing, cooling. It is there as soon as the subs are judged, while they are
stacked. Choose a finding: its subs are chosen in the ribbon, a bracket shows when it was, and the
curve turns to the measure that shows it; Enter shows its first sub in *Review*. Each names its
evidence, and how sure it is. *Certain*: nothing else looks like it. *Likely*: the evidence is
clear, but another cause may look alike. *Possible*: few subs or weak signs; see whether it comes
again. A finding changes no verdict, and where nothing stands out none is made up. Below stand what
to do next and how the night compares with your earlier ones.

# Where a limit lies

A limit counts within one target, setup and filter. Where it lies follows from what is typical of
that group, so that a poor night is compared with itself. *Settings…* in the menu *Night* holds
all limits and methods, for the night that is open and for new ones.

## At the telescope

Never point a telescope or its finder anywhere near the Sun: a glance blinds, and optics and camera
burn. Mains equipment outdoors, and dew: follow the makers' instructions and the electrical
rules of the place.
"""


def show_text(parent: QWidget, title: str, markdown: str) -> QDialog:
    """Show a page of text in a window of its own.

    Parameters
    ----------
    parent : QWidget
        Whose window it is.
    title : str
        Its title.
    markdown : str
        The text.

    Returns
    -------
    QDialog
        It does not hold the window up.
    """
    dialog = QDialog(parent)
    dialog.setWindowTitle(title)
    dialog.resize(640, 560)
    text = QTextBrowser()
    text.setAccessibleName(title)
    text.setToolTip(f"{title} (Escape closes it)")
    text.setMarkdown(markdown)
    text.document().setDocumentMargin(14)
    close = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
    close.button(QDialogButtonBox.StandardButton.Close).setToolTip("Close (Escape)")
    close.rejected.connect(dialog.reject)
    layout = QVBoxLayout(dialog)
    layout.addWidget(text)
    layout.addWidget(close)
    dialog.show()
    return dialog


def keys_text(actions: Iterable[QAction]) -> str:
    """Write the keyboard sheet.

    Parameters
    ----------
    actions : iterable of QAction
        The commands.

    Returns
    -------
    str
        Markdown.
    """
    lines = ["# Keys", "", "| key | what it does |", "|---|---|"]
    lines += [
        f"| {action.shortcut().toString()} | {action.text().replace('…', '')} |"
        for action in actions
        if not action.shortcut().isEmpty()
    ]
    lines += ["", "| where | key | what it does |", "|---|---|---|"]
    lines += [f"| {where} | {key} | {what} |" for where, key, what in PLACE_KEYS]
    return "\n".join(lines)


def about_text() -> str:
    """Tell what this program is.

    Returns
    -------
    str
        Markdown.
    """
    return (
        f"# stackbench {__version__}\n\nFrom a night's folder of FITS frames to aligned, stacked "
        "mono channels, with an honest record of what was done. Nothing is sent anywhere; raw "
        "frames are only ever read.\n\nBSD-3-Clause."
    )
