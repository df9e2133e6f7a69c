"""The second step: make the masters, or find them as an earlier run left them."""

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.records import (
    CalibrationSet,
    MasterFacts,
    Serving,
    StoredMaster,
    facts_of,
)
from stackbench.export.files import product_sha256
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.keys import file_mark, key_of
from stackbench.job.masternames import master_names
from stackbench.job.pixels import PixelDesk
from stackbench.job.progress import Step
from stackbench.job.saturation import camera_saturation

if TYPE_CHECKING:
    from stackbench.job.mastermaking import MadeMaster

_FACTS: TypeAdapter[MasterFacts] = TypeAdapter(MasterFacts)
_PROBLEMS: TypeAdapter[list[Problem]] = TypeAdapter(list[Problem])
# What one thread does alone for one master (medians, defects, waiting for the disk)
# goes on beside another; more would only take more memory.
_AT_ONCE = 2
FEW_PAIRS = 3
"""So many pairs of flats give the gain to 0.3 %, and cost a run little time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedMaster:
    """A master on disk; `key` stands for all that it was made from.

    `sha256` is the file's checksum.
    """

    key: str
    path: Path
    facts: MasterFacts
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A master that a set asks for: its key, and the file to find or to make."""

    one: CalibrationSet
    key: str
    path: Path


Masters = tuple[tuple[CalibrationSet, FinishedMaster], ...]
"""Masters, each with the set that it was made from, in the order of the sets."""

HearMasters = Callable[[Masters], None]


def unheard(masters: Masters) -> None:
    """Hear nothing.

    Parameters
    ----------
    masters : Masters
        Is not looked at.
    """


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


def make_masters(
    bench: Bench,
    found: Found,
    plan: CalibrationPlan,
    desk: PixelDesk,
    *,
    hear: HearMasters = unheard,
) -> MasterShelf:
    """Make the master of every set, or take it as an earlier run left it.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's frames and checksums.
    plan : CalibrationPlan
        The sets, and what serves the flats.
    desk : PixelDesk
        Gives the frames' pixels.
    hear : callable
        Called with the masters on disk whenever one was written, from any
        thread, and at the end.

    Returns
    -------
    MasterShelf
        The masters, with problems for sets and frames that could not be used.
    """
    shelf = MasterShelf(plan.sets)
    making = _Making(bench=bench, found=found, plan=plan, shelf=shelf, desk=desk, hear=hear)
    names = master_names([one for one in plan.sets if one.stored is None])
    bench.progress.begin(Step.MASTERS, sum(len(one.frames) for one in plan.sets))
    for flats in (False, True):  # flats are freed of the masters of the others
        sets = [one for one in plan.sets if (one.kind is Kind.FLAT) is flats]
        in_threads(
            making.make,
            (wanted for one in sets if (wanted := making.wanted(one, names)) is not None),
            threads=min(bench.threads, _AT_ONCE),
            stop=bench.stop,
        )
    shelf.problems += [problem for one in plan.sets for problem in making.problems[one]]
    bench.progress.end(Step.MASTERS)
    hear(shelf.all())
    return shelf


@dataclass(frozen=True, slots=True, kw_only=True)
class _Making:
    """The making of a job's masters; `problems` are those of each set."""

    bench: Bench
    found: Found
    plan: CalibrationPlan
    shelf: MasterShelf
    desk: PixelDesk
    hear: HearMasters
    problems: dict[CalibrationSet, Sequence[Problem]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def wanted(self, one: CalibrationSet, names: Mapping[CalibrationSet, str]) -> _Wanted | None:
        """Say what is to be made of a set; None if its master is there already."""
        if one.stored is not None:
            self._put(one, _borrowed(one.stored), ())
            return None
        key = _key(self.bench, self.found, self.plan, self.shelf, self.desk, one)
        wanted = _Wanted(one=one, key=key, path=self.bench.out / "masters" / names[one])
        recalled = _recall(self.bench, wanted)
        if recalled is None:
            return wanted
        self._put(one, *recalled)
        return None

    def make(self, wanted: _Wanted) -> None:
        """Make a master, write it and put it on the shelf; for any thread."""
        from stackbench.job.mastermaking import make_master

        bench, found, one = self.bench, self.found, wanted.one
        made = make_master(bench, found, self.plan, self.shelf, self.desk, one)
        if made.unread:
            # another master than that of the whole set, for which the next run looks
            unread = [found.checksums[frame] for frame in made.unread]
            wanted = replace(wanted, key=key_of(wanted.key, "without", unread))
        master = made.master
        if master is not None and one.kind is not Kind.FLAT:
            # flats and lights are freed of it next
            self.desk.masters.get(wanted.key, lambda: master)
        self.hear(self._put(one, *_keep(bench, found, wanted, made)))
        self.desk.release(_not_needed_again(one))

    def _put(
        self, one: CalibrationSet, finished: FinishedMaster | None, problems: Sequence[Problem]
    ) -> Masters:
        """Take down what came of a set; the masters on disk by then."""
        self.bench.progress.advance(Step.MASTERS, len(one.frames))
        with self.lock:
            self.problems[one] = problems
            if finished is not None:
                self.shelf.put(one, finished)
                self.problems[one] = (*problems, *finished.facts.problems)
            return self.shelf.all()


def bad_pixel_problems(bench: Bench, shelf: MasterShelf, serving: Serving) -> list[Problem]:
    """Recall what was noticed about bad pixels when a calibrator was made.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    shelf : MasterShelf
        The finished masters.
    serving : Serving
        What the calibrator was made from.

    Returns
    -------
    list of Problem
        Empty when nothing was noticed.
    """
    known = bench.store.recall("bad pixels", shelf.serving_key(serving))
    return [] if known is None else _PROBLEMS.validate_python(known[0]["problems"])


def _key(
    bench: Bench,
    found: Found,
    plan: CalibrationPlan,
    shelf: MasterShelf,
    desk: PixelDesk,
    one: CalibrationSet,
) -> str:
    servings: list[str] = []
    saturation_adu = None
    if one.kind is Kind.FLAT:
        servings = [shelf.serving_key(plan.servings[frame.path]) for frame in one.frames]
        saturation_adu = camera_saturation(bench, found, desk, one.setup.camera)
    return key_of(
        __version__,
        one.kind,
        [found.checksums[frame.path] for frame in one.frames],
        bench.settings.masters,
        servings,
        saturation_adu,
    )


def _recall(bench: Bench, wanted: _Wanted) -> tuple[FinishedMaster | None, list[Problem]] | None:
    """Recall what an earlier run made of a set, if the file is still what it was."""
    known = bench.store.recall("master", wanted.key)
    if known is None:
        return None
    now = map(str, _paths(wanted.one))
    record = _with_paths(known[0], dict(zip(known[0]["frames"], now, strict=True)))
    problems = _PROBLEMS.validate_python(record["problems"])
    if record["facts"] is None:
        return None, problems
    if record["file"] != [wanted.path.name, file_mark(wanted.path)]:
        return None
    finished = FinishedMaster(
        key=wanted.key,
        path=wanted.path,
        facts=_FACTS.validate_python(record["facts"]),
        sha256=record["sha256"],
    )
    return finished, problems


def _borrowed(stored: StoredMaster) -> FinishedMaster:
    """Take a master of an earlier night as if it had just been made."""
    return FinishedMaster(
        key=stored.sha256, path=stored.path, facts=stored.facts, sha256=stored.sha256
    )


def _keep(
    bench: Bench, found: Found, wanted: _Wanted, made: "MadeMaster"
) -> tuple[FinishedMaster | None, Sequence[Problem]]:
    """Write a master, and then remember it."""
    record: dict[str, Any] = {
        "problems": _PROBLEMS.dump_python(list(made.problems), mode="json"),
        "facts": None,
        "frames": list(map(str, _paths(wanted.one))),
    }
    finished = None
    if made.master is not None:
        from stackbench.job.mastermaking import write_finished

        write_finished(bench, found, wanted.path, made.master)
        finished = FinishedMaster(
            key=wanted.key,
            path=wanted.path,
            facts=facts_of(made.master),
            sha256=product_sha256(wanted.path),
        )
        record["facts"] = _FACTS.dump_python(finished.facts, mode="json")
        record["file"] = [wanted.path.name, file_mark(wanted.path)]
        record["sha256"] = finished.sha256
    bench.store.keep("master", wanted.key, record)
    return finished, made.problems


def _not_needed_again(one: CalibrationSet) -> Sequence[Frame]:
    """All but the pairs that tell the camera's numbers when all masters are there."""
    return one.frames[2 * FEW_PAIRS :] if one.kind in (Kind.BIAS, Kind.FLAT) else one.frames


def _paths(one: CalibrationSet) -> list[Path]:
    return [frame.path for frame in one.frames]


def _with_paths(value: Any, places: Mapping[str, str]) -> Any:
    """Name files by where they lie now: a night's folder may have been moved since."""
    match value:
        case dict():
            return {name: _with_paths(part, places) for name, part in value.items()}
        case list():
            return [_with_paths(part, places) for part in value]
        case str():
            return places.get(value, value)
        case _:
            return value
