"""What the window remembers from one day to the next."""

import json
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError
from PySide6.QtCore import QByteArray, QSettings

from stackbench.job.settings import Settings, changed_parts

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

    def settings(self) -> Settings:
        """Recall the settings that new nights begin with.

        Returns
        -------
        Settings
            Those the program comes with until others are kept.
        """
        try:
            return Settings.model_validate_json(str(self._settings.value("settings", "{}")))
        except ValidationError:  # kept by a version whose settings were others
            return Settings()

    def keep_settings(self, settings: Settings) -> None:
        """Remember the settings that new nights begin with.

        Parameters
        ----------
        settings : Settings
            The settings; parts that are as the program comes with them follow
            later versions of it.
        """
        parts = set(changed_parts(Settings(), settings))
        self._settings.setValue("settings", settings.model_dump_json(include=parts))

    def threads(self) -> int | None:
        """Recall how many threads a job uses.

        Returns
        -------
        int or None
            None for one per processor.
        """
        value = self.text("threads", "")
        return int(value) if value.isdecimal() and int(value) > 0 else None

    def keep_threads(self, threads: int | None) -> None:
        """Remember how many threads a job uses.

        Parameters
        ----------
        threads : int or None
            None for one per processor.
        """
        self.keep_text("threads", str(threads or ""))

    def output_place(self) -> Path | None:
        """Recall the folder in which new output folders are proposed.

        Returns
        -------
        Path or None
            None for beside the night; also when the folder is gone.
        """
        value = self.text("output_place", "")
        return Path(value) if value and Path(value).is_dir() else None

    def keep_output_place(self, place: Path | None) -> None:
        """Remember the folder in which new output folders are proposed.

        Parameters
        ----------
        place : Path or None
            None for beside the night.
        """
        self.keep_text("output_place", "" if place is None else str(place))

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
