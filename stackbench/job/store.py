"""The session store: what earlier runs found out, and what the person decided.

Everything in it but decisions and labels can be made again from the raw frames. A
piece of knowledge lies under a key made from all that it depends on, so that
a changed file or setting makes just the pieces that depend on it anew.
"""

import json
import sqlite3
import threading
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Any, Self

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.frames.labels import Label
from stackbench.frames.records import Frame, Kind

_SCHEMA_VERSION = 1
_COMMIT_EVERY_S = 5.0
_SCHEMA = """
CREATE TABLE IF NOT EXISTS frames (
    path TEXT PRIMARY KEY, size INTEGER NOT NULL, modified INTEGER NOT NULL,
    facts TEXT NOT NULL, sha256 TEXT);
CREATE TABLE IF NOT EXISTS pieces (
    stage TEXT NOT NULL, key TEXT NOT NULL, record TEXT NOT NULL, arrays BLOB,
    PRIMARY KEY (stage, key));
CREATE TABLE IF NOT EXISTS decisions (
    sha256 TEXT PRIMARY KEY, decision TEXT NOT NULL, name TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS labels (
    sha256 TEXT PRIMARY KEY, kind TEXT, filter TEXT, name TEXT NOT NULL);
"""
_FRAME: TypeAdapter[Frame] = TypeAdapter(Frame)


class Decision(StrEnum):
    """What the person decided about a sub, against the rules or with them."""

    KEEP = "keep"
    REJECT = "reject"


class StoreError(Exception):
    """The store cannot be read or written, or belongs to another version."""


class Store:
    """The store of one output folder, an SQLite file; safe to share by threads.

    Parameters
    ----------
    path : Path
        The file; made when it is not there.

    Raises
    ------
    StoreError
        If the file is not a store, or was made by a newer version.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._committed = time.monotonic()
        self._db = _connected(path)
        try:
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
            if version not in (0, _SCHEMA_VERSION):
                self._db.close()
                raise StoreError(
                    f"{path}: the store has schema {version}, this version reads "
                    f"{_SCHEMA_VERSION}; use another output folder or update stackbench"
                )
            self._db.executescript(_SCHEMA)
            if version == 0:
                self._db.execute(f"PRAGMA user_version = {_SCHEMA_VERSION}")
            self._known = {
                row[0]: row[1:]
                for row in self._db.execute(
                    "SELECT path, size, modified, facts, sha256 FROM frames"
                )
            }
        except sqlite3.DatabaseError as error:
            self._db.close()  # so that the file can be moved away
            if error.sqlite_errorcode == sqlite3.SQLITE_BUSY:
                raise StoreError(
                    f"{path}: another job is writing to the session store; try again when it ends"
                ) from error
            raise StoreError(
                f"{path}: the session store cannot be read ({error}); move the file away, "
                "the next run makes a new one"
            ) from error

    def __enter__(self) -> Self:
        """Return the store itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the store."""
        self.close()

    def close(self) -> None:
        """Commit and close the file."""
        try:
            with self._writing():
                self._db.commit()
        finally:
            self._db.close()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """Hold the lock, and put a refusal to write into words."""
        with self._lock:
            try:
                yield
            except sqlite3.Error as error:
                raise StoreError(
                    f"{self._path}: the session store cannot be written ({error}); free some "
                    "space or choose another output folder"
                ) from error

    def known_frame(self, path: Path, size: int, modified_ns: int) -> Frame | None:
        """Recall the facts of a file that has not changed.

        Parameters
        ----------
        path : Path
            The file.
        size, modified_ns : int
            Its size in bytes and its time of change, as they are now.

        Returns
        -------
        Frame or None
            The facts as read before; None when the file is new or changed, or
            another version read it.
        """
        row = self._known.get(str(path))
        if row is None or row[:2] != (size, modified_ns):
            return None
        version, _, facts = row[2].partition(" ")
        # another version may read more out of the same header
        return _FRAME.validate_json(facts) if version == __version__ else None

    def known_checksum(self, frame: Frame) -> str | None:
        """Recall the checksum of a file that has not changed.

        Parameters
        ----------
        frame : Frame
            The file's facts.

        Returns
        -------
        str or None
            SHA-256 in hexadecimal; None when unknown.
        """
        row = self._known.get(str(frame.path))
        if row is None or row[:2] != (frame.size_bytes, frame.modified_ns):
            return None
        checksum: str | None = row[3]
        return checksum

    def learn_frames(self, frames: Iterable[Frame], checksums: Mapping[Path, str]) -> None:
        """Keep the facts and checksums of frames.

        Parameters
        ----------
        frames : iterable of Frame
            Facts, as read from the headers.
        checksums : mapping of Path to str
            SHA-256 by path.
        """
        rows = []
        for frame in frames:
            old = self._known.get(str(frame.path))
            new = (
                frame.size_bytes,
                frame.modified_ns,
                f"{__version__} {_FRAME.dump_json(frame).decode()}",
                checksums.get(frame.path),
            )
            if new != old:
                rows.append((str(frame.path), *new))
                self._known[str(frame.path)] = new
        with self._writing(), self._db:
            self._db.executemany("INSERT OR REPLACE INTO frames VALUES (?, ?, ?, ?, ?)", rows)

    def recall(self, stage: str, key: str) -> tuple[dict[str, Any], bytes | None] | None:
        """Recall a piece of knowledge.

        Parameters
        ----------
        stage : str
            The step that made it.
        key : str
            The key of all that it depends on, from `key_of`.

        Returns
        -------
        tuple of dict and bytes, or None
            The record and its arrays as kept; None when there is none.
        """
        with self._lock:
            row = self._db.execute(
                "SELECT record, arrays FROM pieces WHERE stage = ? AND key = ?", (stage, key)
            ).fetchone()
        return None if row is None else (json.loads(row[0]), row[1])

    def recall_all(self, stage: str) -> list[tuple[str, dict[str, Any]]]:
        """Recall all pieces of knowledge of one step.

        Parameters
        ----------
        stage : str
            The step that made them.

        Returns
        -------
        list of tuple of str and dict
            Key and record of each, in the order in which they were kept.
        """
        with self._lock:
            rows = self._db.execute(
                "SELECT key, record FROM pieces WHERE stage = ? ORDER BY rowid", (stage,)
            ).fetchall()
        return [(key, json.loads(record)) for key, record in rows]

    def keep(
        self, stage: str, key: str, record: Mapping[str, Any], arrays: bytes | None = None
    ) -> None:
        """Keep a piece of knowledge.

        Parameters
        ----------
        stage : str
            The step that made it.
        key : str
            The key of all that it depends on, from `key_of`.
        record : mapping
            What can be written as JSON.
        arrays : bytes, optional
            The arrays that go with it.
        """
        with self._writing():
            self._db.execute(
                "INSERT OR REPLACE INTO pieces VALUES (?, ?, ?, ?)",
                (stage, key, json.dumps(record, default=str), arrays),
            )
            # a commit waits for the disk: rather lose a few seconds' work in a power
            # cut than wait after each of hundreds of subs; see `settle` for the rest
            if time.monotonic() - self._committed > _COMMIT_EVERY_S:
                self._db.commit()
                self._committed = time.monotonic()

    def settle(self) -> None:
        """Have all that was kept on the disk, as at the end of a piece of work.

        Raises
        ------
        StoreError
            If it cannot be written.
        """
        with self._writing():
            self._db.commit()
            self._committed = time.monotonic()

    def drop(self, stage: str, key: str) -> None:
        """Forget a piece of knowledge.

        Parameters
        ----------
        stage : str
            The step that made it.
        key : str
            Its key.
        """
        with self._writing(), self._db:
            self._db.execute("DELETE FROM pieces WHERE stage = ? AND key = ?", (stage, key))

    def decisions(self) -> dict[str, Decision]:
        """Recall what the person decided.

        Returns
        -------
        dict of str to Decision
            By the SHA-256 of the sub's file, so that renaming or moving a
            file loses nothing.
        """
        with self._lock:
            rows = self._db.execute("SELECT sha256, decision FROM decisions").fetchall()
        return {checksum: Decision(decision) for checksum, decision in rows}

    def decide(self, decisions: Mapping[str, Decision | None], *, names: Mapping[str, str]) -> None:
        """Keep decisions of the person's, or hand subs back to the rules; all or none.

        Parameters
        ----------
        decisions : mapping of str to Decision or None
            By the SHA-256 of the sub's file; None hands it back to the rules.
        names : mapping of str to str
            The files' names, for a person who looks into the store.

        Raises
        ------
        StoreError
            If they cannot be written; then nothing is decided.
        """
        back = [(checksum,) for checksum, decision in decisions.items() if decision is None]
        rows = [
            (checksum, decision.value, names[checksum])
            for checksum, decision in decisions.items()
            if decision is not None
        ]
        with self._writing(), self._db:
            self._db.executemany("DELETE FROM decisions WHERE sha256 = ?", back)
            self._db.executemany("INSERT OR REPLACE INTO decisions VALUES (?, ?, ?)", rows)

    def labels(self) -> dict[str, Label]:
        """Recall which kinds and filters the person set.

        Returns
        -------
        dict of str to Label
            By the SHA-256 of the frame's file.
        """
        with self._lock:
            rows = self._db.execute("SELECT sha256, kind, filter FROM labels").fetchall()
        return {
            checksum: Label(kind=None if kind is None else Kind(kind), filter=filter_name)
            for checksum, kind, filter_name in rows
        }

    def label(self, labels: Mapping[str, Label | None], *, names: Mapping[str, str]) -> None:
        """Keep kinds and filters set by hand, or take them back; all or none.

        Parameters
        ----------
        labels : mapping of str to Label or None
            By the SHA-256 of the frame's file; None leaves the frame to its
            header again.
        names : mapping of str to str
            The files' names, for a person who looks into the store.

        Raises
        ------
        StoreError
            If they cannot be written; then nothing is set.
        """
        back = [(checksum,) for checksum, label in labels.items() if label is None]
        rows = [
            (checksum, label.kind, label.filter, names[checksum])
            for checksum, label in labels.items()
            if label is not None
        ]
        with self._writing(), self._db:
            self._db.executemany("DELETE FROM labels WHERE sha256 = ?", back)
            self._db.executemany("INSERT OR REPLACE INTO labels VALUES (?, ?, ?, ?)", rows)


def _connected(path: Path) -> sqlite3.Connection:
    try:
        return sqlite3.connect(path, check_same_thread=False, timeout=30)
    except sqlite3.DatabaseError as error:
        raise StoreError(f"{path}: the session store cannot be opened ({error})") from error
