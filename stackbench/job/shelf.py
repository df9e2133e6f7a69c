"""The masters of a job, and which set each was made from."""

from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path

from stackbench.calibration.records import CalibrationSet, MasterFacts, Serving
from stackbench.frames.records import Problem
from stackbench.job.keys import key_of


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedMaster:
    """A master; `key` stands for all that it was made from.

    `written` ends with the file's checksum when all of it is on the disk.
    """

    key: str
    path: Path
    facts: MasterFacts
    written: "Future[str]"

    @property
    def sha256(self) -> str:
        """The file's checksum, waited for if need be.

        Returns
        -------
        str
            SHA-256, in hexadecimal.
        """
        return self.written.result()


def on_disk(sha256: str) -> "Future[str]":
    """Tell of a file that it lies on the disk.

    Parameters
    ----------
    sha256 : str
        Its checksum.

    Returns
    -------
    Future
        At its end.
    """
    written: Future[str] = Future()
    written.set_result(sha256)
    return written


Masters = tuple[tuple[CalibrationSet, FinishedMaster], ...]
"""Masters, each with the set that it was made from, in the order of the sets."""


class MasterShelf:
    """The finished masters of a job, by the set each was made from.

    Parameters
    ----------
    sets : sequence of CalibrationSet
        In the order in which their masters are listed.
    """

    def __init__(self, sets: Sequence[CalibrationSet]) -> None:
        self._places = {one: place for place, one in enumerate(sets)}
        self._finished: dict[CalibrationSet, FinishedMaster] = {}
        self.problems: list[Problem] = []

    def put(self, one: CalibrationSet, master: FinishedMaster) -> None:
        """Add a finished master.

        Parameters
        ----------
        one : CalibrationSet
            What it was made from.
        master : FinishedMaster
            The master.
        """
        self._finished[one] = master

    def get(self, one: CalibrationSet | None) -> FinishedMaster | None:
        """Find the master of a set.

        Parameters
        ----------
        one : CalibrationSet or None
            The set.

        Returns
        -------
        FinishedMaster or None
            None for no set, and for one from which no master could be made.
        """
        return None if one is None else self._finished.get(one)

    def all(self) -> Masters:
        """List the masters in the order of their sets.

        Returns
        -------
        Masters
            Each set with its master.
        """
        return tuple(sorted(self._finished.items(), key=lambda item: self._places[item[0]]))

    def serving_key(self, serving: Serving) -> str:
        """Make the key of all that a serving does to a frame.

        Parameters
        ----------
        serving : Serving
            What calibrates the frame.

        Returns
        -------
        str
            Changes when one of the masters does, or how they are applied.
        """
        masters = [self.get(s) for s in (serving.bias, serving.dark, serving.flat)]
        return key_of([m.key if m else None for m in masters], serving.dark_scale)
