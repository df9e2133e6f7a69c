"""The program's own drawings, from `resources/icons`."""

from pathlib import Path

from PySide6.QtCore import QByteArray

from stackbench.window.places import brought_along


def icon_path(name: str) -> Path:
    """Find one of our drawings.

    Parameters
    ----------
    name : str
        The file's name without ending.

    Returns
    -------
    Path
        An SVG file.

    Raises
    ------
    FileNotFoundError
        If it was left out of the installation.
    """
    folder = brought_along("icons", under="resources")
    if folder is None:
        raise FileNotFoundError(f"{name}.svg: this installation of stackbench lacks its drawings")
    return folder / f"{name}.svg"


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
    text = icon_path(name).read_text(encoding="utf-8")
    return QByteArray(text.replace("currentColor", colour).encode())
