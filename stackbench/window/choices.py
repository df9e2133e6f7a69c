"""What the window remembers from one day to the next."""

import json
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import QByteArray, QSettings

_MOST_RECENT = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class RecentNight:
    """Nights that were worked on together, and where their output went."""

    folders: tuple[Path, ...]
    out: Path

    @property
    def name(self) -> str:
        """What to call it.

        Returns
        -------
        str
            The names of the nights' folders.
        """
        return " + ".join(folder.name for folder in self.folders)


class Choices:
    """The person's choices, kept in the system's usual place.

    Parameters
    ----------
    settings : QSettings
        Where they are kept.
    """

    def __init__(self, settings: QSettings) -> None:
        self._settings = settings

    def recent(self) -> list[RecentNight]:
        """List the nights worked on last.

        Returns
        -------
        list of RecentNight
            The latest first; those whose folders are gone are left out.
        """
        nights = []
        for entry in self._entries():
            night = RecentNight(
                folders=tuple(Path(folder) for folder in entry["folders"]),
                out=Path(str(entry["out"])),
            )
            if night.folders and all(folder.is_dir() for folder in night.folders):
                nights.append(night)
        return nights

    def remember(self, night: RecentNight) -> None:
        """Put a night at the head of the list.

        Parameters
        ----------
        night : RecentNight
            The night.
        """
        entry = {"folders": [str(folder) for folder in night.folders], "out": str(night.out)}
        others = [one for one in self._entries() if one["out"] != entry["out"]]
        self._settings.setValue("recent", json.dumps([entry, *others][:_MOST_RECENT]))

    def geometry(self) -> QByteArray | None:
        """Recall where the window was.

        Returns
        -------
        QByteArray or None
            None the first time.
        """
        value = self._settings.value("geometry")
        return value if isinstance(value, QByteArray) else None

    def keep_geometry(self, geometry: QByteArray) -> None:
        """Remember where the window is.

        Parameters
        ----------
        geometry : QByteArray
            From `saveGeometry`.
        """
        self._settings.setValue("geometry", geometry)

    def text(self, name: str, default: str) -> str:
        """Recall a choice.

        Parameters
        ----------
        name : str
            What was chosen.
        default : str
            What it is when nothing was.

        Returns
        -------
        str
            The choice.
        """
        return str(self._settings.value(name, default))

    def keep_text(self, name: str, value: str) -> None:
        """Remember a choice.

        Parameters
        ----------
        name : str
            What was chosen.
        value : str
            The choice.
        """
        self._settings.setValue(name, value)

    def _entries(self) -> list[dict[str, list[str] | str]]:
        try:
            entries = json.loads(str(self._settings.value("recent", "[]")))
        except json.JSONDecodeError:  # the file was edited by hand
            return []
        return [one for one in entries if {"folders", "out"} <= set(one)]
