"""Where things are: what comes along with the program, an output folder that can be written."""

import os
from pathlib import Path

from PySide6.QtCore import QStandardPaths

import stackbench

_SAMPLE = "sample_fits"


def sample_night() -> Path | None:
    """Find the sample night that comes along with the program.

    Returns
    -------
    Path or None
        None where it was left out of the installation.
    """
    folder = brought_along(_SAMPLE)
    return folder if folder is not None and (folder / "lights").is_dir() else None


def brought_along(name: str, *, under: str = "") -> Path | None:
    """Find a folder that comes along with the program.

    Parameters
    ----------
    name : str
        The folder's name; once installed, it lies within the package.
    under : str
        The folder of the project where it lies in a checkout.

    Returns
    -------
    Path or None
        None where it was left out of the installation.
    """
    package = Path(stackbench.__file__).resolve().parent
    for folder in (package / name, package.parent / under / name):
        if folder.is_dir():
            return folder
    return None


def short(path: Path) -> str:
    """Write a path shorter where it lies in the person's own folder.

    Parameters
    ----------
    path : Path
        Any path.

    Returns
    -------
    str
        With "~" for the person's folder; `Path.expanduser` turns it back.
    """
    home = Path.home()
    return str(Path("~") / path.relative_to(home)) if path.is_relative_to(home) else str(path)


def spelled_out(text: str) -> Path | None:
    """Read a folder as a person writes it.

    Parameters
    ----------
    text : str
        With "~" for the person's folder, as `short` writes it.

    Returns
    -------
    Path or None
        None for no text, and for the folder of somebody else.
    """
    text = text.strip()
    if not text or (text.startswith("~") and text[1:2] not in ("", "/", "\\")):
        return None
    return Path(text).expanduser()


def writable_output(proposed: Path) -> Path:
    """Propose an output folder that can be written.

    Parameters
    ----------
    proposed : Path
        The first choice.

    Returns
    -------
    Path
        The same, or one of that name among the person's documents where
        nothing can be written beside the night (a card, a read-only disk).
    """
    beside = proposed if proposed.exists() else proposed.parent
    if os.access(beside, os.W_OK):
        return proposed
    documents = QStandardPaths.writableLocation(QStandardPaths.StandardLocation.DocumentsLocation)
    return Path(documents) / proposed.name
