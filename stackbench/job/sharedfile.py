"""Small SQLite files of the person's own, which several programs may use at once."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stackbench.export.files import explained

_WAIT_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedFile:
    """One such file: its path, its table, and how its failures are told.

    `table` is the statement that makes its only table, `schema` the number of that
    table's form. `failure` is raised when the file cannot be used; `what` names
    the file for the person, `remedy` says what to do.
    """

    path: Path
    table: str
    schema: int
    failure: type[Exception]
    what: str
    remedy: str

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection | None]:
        """Open the file to read.

        Yields
        ------
        Connection or None
            None when there is no file, or another program is just making it.

        Raises
        ------
        Exception
            `failure`, if the file cannot be used or a newer version made it.
        """
        if not self.path.is_file():
            yield None
            return
        with self._open("DEFERRED") as db:
            yield db if _version(db) else None

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Open the file to change it, all or nothing; other programs wait.

        Yields
        ------
        Connection
            With the table in it.

        Raises
        ------
        Exception
            `failure`, if the file cannot be used or a newer version made it.
        """
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self.failure(str(explained(self.path.parent, error))) from error
        with self._open("IMMEDIATE") as db:
            if not _version(db):
                db.execute(self.table)
                db.execute(f"PRAGMA user_version = {self.schema}")
            yield db

    @contextmanager
    def _open(self, mode: str) -> Iterator[sqlite3.Connection]:
        try:
            db = sqlite3.connect(self.path, timeout=_WAIT_S, isolation_level=None)
            try:
                db.execute(f"BEGIN {mode}")
                version = _version(db)
                if version not in (0, self.schema):
                    raise self.failure(
                        f"{self.path}: {self.what} has schema {version}, this version reads "
                        f"{self.schema}; update stackbench or place it elsewhere"
                    )
                yield db
                db.execute("COMMIT")
            finally:
                db.close()  # what was not committed is undone
        except sqlite3.Error as error:
            raise self.failure(
                f"{self.path}: {self.what} cannot be used ({error}); {self.remedy}"
            ) from error


def _version(db: sqlite3.Connection) -> int:
    return int(db.execute("PRAGMA user_version").fetchone()[0])
