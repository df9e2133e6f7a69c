"""The program's own drawings."""

from importlib.resources import files

from PySide6.QtCore import QByteArray


def icon_svg(name: str, colour: str) -> QByteArray:
    """Read one of our drawings in a colour.

    Parameters
    ----------
    name : str
        The file's name without ending.
    colour : str
        What replaces `currentColor`.

    Returns
    -------
    QByteArray
        SVG.
    """
    text = files(__name__).joinpath(f"{name}.svg").read_text(encoding="utf-8")
    return QByteArray(text.replace("currentColor", colour).encode())
