"""The person's master library: masters of earlier nights, kept for later ones.

A folder with one FITS file for each master and an SQLite index. Several
programs may use it at once. A file is believed only while its checksum is that
of the index, and nothing is removed unasked.
"""

import os
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path

import platformdirs

from stackbench.calibration.records import CalibrationSet, MasterFacts, StoredMaster
from stackbench.export.files import replacing
from stackbench.frames.checksums import file_sha256
from stackbench.frames.names import setup_label
from stackbench.job.masterfacts import master_facts
from stackbench.job.sharedfile import SharedFile

INDEX_NAME = "library.sqlite"
# Of files that go when the index has forgotten them, so that all go or none.
_GOING = ".going"
_TABLE = """
CREATE TABLE IF NOT EXISTS masters (
    number INTEGER PRIMARY KEY AUTOINCREMENT, made_of TEXT NOT NULL UNIQUE,
    sha256 TEXT NOT NULL, name TEXT NOT NULL UNIQUE, added TEXT NOT NULL,
    kind TEXT NOT NULL, setup TEXT NOT NULL, filter TEXT, exposure_s REAL,
    temperature_c REAL, night TEXT, frames INTEGER NOT NULL, noise REAL,
    facts TEXT NOT NULL);
"""


class LibraryError(Exception):
    """The library cannot be read or written; says why and what to do."""


class State(StrEnum):
    """What has become of a master's file."""

    GOOD = "good"
    DAMAGED = "damaged"
    MISSING = "missing"


@dataclass(frozen=True, slots=True, kw_only=True)
class LibraryMaster:
    """One master of the library.

    `number` names it for the person. `made_of` stands for all that it was made
    from. `added` is UTC.
    """

    number: int
    made_of: str
    path: Path
    sha256: str
    added: datetime
    facts: MasterFacts

    def as_set(self) -> CalibrationSet:
        """Show it to the matching rules.

        Returns
        -------
        CalibrationSet
            A set without frames of its own.
        """
        facts = self.facts
        return CalibrationSet(
            kind=facts.kind,
            setup=facts.setup,
            frames=(),
            filter=facts.filter,
            exposure_s=facts.exposure_s,
            temperature_c=facts.temperature_c,
            night=facts.night,
            rotator_deg=facts.rotator_deg,
            stored=StoredMaster(path=self.path, sha256=self.sha256, facts=facts),
        )


def default_library() -> Path:
    """Tell where the person's library lies unless they place it elsewhere.

    Returns
    -------
    Path
        The folder that the environment variable STACKBENCH_LIBRARY names, else
        one among the person's own application data. Need not exist.
    """
    named = os.environ.get("STACKBENCH_LIBRARY")
    if named:
        return Path(named)
    return Path(platformdirs.user_data_dir("stackbench", appauthor=False)) / "library"


class Library:
    """A master library.

    Parameters
    ----------
    folder : Path
        Where it lies; made when the first master is added.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.absolute()
        self._index = SharedFile(
            path=self.folder / INDEX_NAME,
            table=_TABLE,
            schema=1,
            failure=LibraryError,
            what="the library's index",
            remedy="move the file away and add the masters again, or place the library elsewhere "
            "(--library)",
        )

    def masters(self) -> list[LibraryMaster]:
        """List what the library holds; no file is opened but the index.

        Returns
        -------
        list of LibraryMaster
            In the order in which they were added; empty when there is no library.

        Raises
        ------
        LibraryError
            If the index cannot be read.
        """
        with self._index.reading() as db:
            if db is None:
                return []
            rows = db.execute(
                "SELECT number, made_of, name, sha256, added, facts FROM masters ORDER BY number"
            ).fetchall()
        return [
            LibraryMaster(
                number=number,
                made_of=made_of,
                path=self.folder / name,
                sha256=sha256,
                added=datetime.fromisoformat(added),
                facts=master_facts().validate_json(facts),
            )
            for number, made_of, name, sha256, added, facts in rows
        ]

    def add(self, path: Path, facts: MasterFacts, *, made_of: str) -> LibraryMaster | None:
        """Copy a master into the library.

        Parameters
        ----------
        path : Path
            Its FITS file; only read.
        facts : MasterFacts
            What is known about it.
        made_of : str
            Stands for the raw frames and settings that it was made from.

        Returns
        -------
        LibraryMaster or None
            The new one; None when a master made of the same is there already.

        Raises
        ------
        LibraryError
            If the index cannot be read or written.
        WriteError
            If the file cannot be written.
        OSError
            If the master cannot be read.
        """
        if any(one.made_of == made_of for one in self.masters()):
            return None
        name = f"{path.stem}_{secrets.token_hex(4)}.fits"
        copy = self.folder / name
        with replacing(copy) as stream, path.open("rb") as master:
            shutil.copyfileobj(master, stream, 2**20)
        sha256 = file_sha256(copy)
        added = datetime.now(UTC)
        # what another program added meanwhile stands
        with self._index.writing() as db:
            row = db.execute(
                "INSERT INTO masters (made_of, sha256, name, added, kind, setup, filter, "
                "exposure_s, temperature_c, night, frames, noise, facts) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                (
                    made_of,
                    sha256,
                    name,
                    added.isoformat(),
                    facts.kind.value,
                    setup_label(facts.setup),
                    facts.filter,
                    facts.exposure_s,
                    facts.temperature_c,
                    facts.night.isoformat() if facts.night else None,
                    len(facts.paths),
                    facts.noise,
                    master_facts().dump_json(facts).decode(),
                ),
            )
            number, news = row.lastrowid, row.rowcount
        if not news or number is None:
            copy.unlink()
            return None
        return LibraryMaster(
            number=number, made_of=made_of, path=copy, sha256=sha256, added=added, facts=facts
        )

    def remove(self, numbers: Sequence[int]) -> list[LibraryMaster]:
        """Remove masters and their files, which only a person may ask for.

        Parameters
        ----------
        numbers : sequence of int
            Their numbers.

        Returns
        -------
        list of LibraryMaster
            Those that were removed.

        Raises
        ------
        LibraryError
            If a number is none of the library's, or a file cannot be removed;
            then nothing is removed.
        """
        known = {one.number: one for one in self.masters()}
        strange = [number for number in numbers if number not in known]
        if strange:
            raise LibraryError(
                f"{self.folder}: there is no master {strange[0]}; "
                "'stackbench library list' shows their numbers"
            )
        gone = [known[number] for number in dict.fromkeys(numbers)]
        aside: list[tuple[Path, Path]] = []
        try:
            with self._index.writing() as db:
                for one in gone:
                    db.execute("DELETE FROM masters WHERE number = ?", (one.number,))
                    if one.path.exists():
                        aside.append((one.path, one.path.with_suffix(_GOING)))
                        one.path.replace(aside[-1][1])
        except BaseException as error:
            for path, moved in aside:
                if moved.exists():
                    moved.replace(path)
            if isinstance(error, OSError):
                raise LibraryError(
                    f"{aside[-1][0]}: cannot be removed ({error.strerror}); close programs "
                    "that show the file and try again"
                ) from error
            raise
        for _, moved in aside:
            moved.unlink()
        return gone

    def check(self, masters: Sequence[LibraryMaster] | None = None) -> list[State]:
        """Compare the files with the checksums of the index.

        Parameters
        ----------
        masters : sequence of LibraryMaster, optional
            Which; all if left out.

        Returns
        -------
        list of State
            One per master.
        """
        return [
            state_of(one.path, one.sha256)
            for one in (self.masters() if masters is None else masters)
        ]

    def strays(self) -> list[Path]:
        """List FITS files of the folder that the index does not know.

        Returns
        -------
        list of Path
            In the order of their names; they are never used nor removed.
        """
        known = {one.path.name for one in self.masters()}
        return sorted(path for path in self.folder.glob("*.fits") if path.name not in known)


def state_of(path: Path, sha256: str) -> State:
    """Tell whether a stored file is still what it was.

    Parameters
    ----------
    path : Path
        The file.
    sha256 : str
        Its checksum when it was stored.

    Returns
    -------
    State
        A file that cannot be read counts as damaged.
    """
    try:
        return State.GOOD if file_sha256(path) == sha256 else State.DAMAGED
    except FileNotFoundError:
        return State.MISSING
    except OSError:
        return State.DAMAGED


def without_paths(facts: MasterFacts) -> MasterFacts:
    """Forget where the raw frames lay, but not their names.

    Parameters
    ----------
    facts : MasterFacts
        A master's facts.

    Returns
    -------
    MasterFacts
        The same with file names instead of paths.
    """
    return replace(
        facts,
        paths=tuple(Path(path.name) for path in facts.paths),
        dropped=tuple(replace(one, path=Path(one.path.name)) for one in facts.dropped),
    )
