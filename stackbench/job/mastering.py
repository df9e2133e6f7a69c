"""The second step: make the masters, or find them as an earlier run left them."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
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
from stackbench.job.background import Background
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
FEW_PAIRS = 3
"""So many pairs of flats give the gain to 0.3 %, and cost a run little time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedMaster:
    """A master on disk; `key` stands for all that it was made from.

    `sha256` is the file's checksum, None as long as it is being written.
    """

    key: str
    path: Path
    facts: MasterFacts
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A master that a set asks for: its key, and the file to find or to make."""

    one: CalibrationSet
    key: str
    path: Path


Masters = tuple[tuple[CalibrationSet, FinishedMaster], ...]
"""Masters, each with the set that it was made from, in the order of making."""

HearMasters = Callable[[Masters], None]


def unheard(masters: Masters) -> None:
    """Hear nothing.

    Parameters
    ----------
    masters : Masters
        Is not looked at.
    """


class MasterShelf:
    """The finished masters of a job, by the set each was made from."""

    def __init__(self) -> None:
        self._finished: dict[CalibrationSet, FinishedMaster] = {}
        self.problems: list[Problem] = []

    def put(self, one: CalibrationSet, master: FinishedMaster) -> None:
        """Add a finished master, or put it in the place of the one that is there.

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
        """List the masters in the order in which they were made.

        Returns
        -------
        Masters
            Each set with its master.
        """
        return tuple(self._finished.items())

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
    shelf = MasterShelf()
    names = master_names([one for one in plan.sets if one.stored is None])
    bench.progress.begin(Step.MASTERS, sum(len(one.frames) for one in plan.sets))
    checksums: dict[CalibrationSet, Future[str | None]] = {}
    with Background() as background:
        for one in plan.sets:
            if one.stored is not None:
                shelf.put(one, _borrowed(one.stored))
                continue
            key = _key(bench, found, plan, shelf, desk, one)
            wanted = _Wanted(one=one, key=key, path=bench.out / "masters" / names[one])
            if not _recall(bench, shelf, wanted):
                if one.kind is Kind.FLAT:
                    background.finish()  # what it is freed of may have to be read back
                made, wanted = _make(bench, found, plan, shelf, desk, wanted)
                keep = partial(_keep, bench, found, wanted, made)
                checksums[one] = background.start(partial(_keep_and_tell, keep, hear, shelf.all()))
                del made, keep  # the next master needs the memory
                desk.release(_not_needed_again(one))
            bench.progress.advance(Step.MASTERS, len(one.frames))
    for one, checksum in checksums.items():
        if (finished := shelf.get(one)) is not None:
            shelf.put(one, replace(finished, sha256=checksum.result()))
    bench.progress.end(Step.MASTERS)
    hear(shelf.all())
    return shelf


def _make(
    bench: Bench,
    found: Found,
    plan: CalibrationPlan,
    shelf: MasterShelf,
    desk: PixelDesk,
    wanted: _Wanted,
) -> "tuple[MadeMaster, _Wanted]":
    """Make a master and put it on the shelf; with the key under which it is kept."""
    from stackbench.job.mastermaking import make_master

    made = make_master(bench, found, plan, shelf, desk, wanted.one)
    shelf.problems += made.problems
    if made.unread:
        # another master than that of the whole set, for which the next run looks
        unread = [found.checksums[frame] for frame in made.unread]
        wanted = replace(wanted, key=key_of(wanted.key, "without", unread))
    master = made.master
    if master is not None:
        facts = facts_of(master)
        shelf.put(wanted.one, FinishedMaster(key=wanted.key, path=wanted.path, facts=facts))
        shelf.problems += facts.problems
        if wanted.one.kind is not Kind.FLAT:  # flats and lights are freed of it next
            desk.masters.get(wanted.key, lambda: master)
    return made, wanted


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


def _recall(bench: Bench, shelf: MasterShelf, wanted: _Wanted) -> bool:
    """Put a master of an earlier run on the shelf, if it is still what it was."""
    known = bench.store.recall("master", wanted.key)
    if known is None:
        return False
    now = map(str, _paths(wanted.one))
    record = _with_paths(known[0], dict(zip(known[0]["frames"], now, strict=True)))
    problems = _PROBLEMS.validate_python(record["problems"])
    if record["facts"] is not None:
        if record["file"] != [wanted.path.name, file_mark(wanted.path)]:
            return False
        finished = FinishedMaster(
            key=wanted.key,
            path=wanted.path,
            facts=_FACTS.validate_python(record["facts"]),
            sha256=record.get("sha256"),
        )
        shelf.put(wanted.one, finished)
        problems += finished.facts.problems
    shelf.problems += problems
    return True


def _borrowed(stored: StoredMaster) -> FinishedMaster:
    """Take a master of an earlier night as if it had just been made."""
    return FinishedMaster(
        key=stored.sha256, path=stored.path, facts=stored.facts, sha256=stored.sha256
    )


def _keep(bench: Bench, found: Found, wanted: _Wanted, made: "MadeMaster") -> str | None:
    """Write a master, and then remember it; the checksum of its file."""
    record: dict[str, Any] = {
        "problems": _PROBLEMS.dump_python(list(made.problems), mode="json"),
        "facts": None,
        "sha256": None,
        "frames": list(map(str, _paths(wanted.one))),
    }
    if made.master is not None:
        from stackbench.job.mastermaking import write_finished

        write_finished(bench, found, wanted.path, made.master)
        record["facts"] = _FACTS.dump_python(facts_of(made.master), mode="json")
        record["file"] = [wanted.path.name, file_mark(wanted.path)]
        record["sha256"] = product_sha256(wanted.path)
    bench.store.keep("master", wanted.key, record)
    checksum: str | None = record["sha256"]
    return checksum


def _keep_and_tell(
    keep: Callable[[], str | None], hear: HearMasters, masters: Masters
) -> str | None:
    checksum = keep()
    hear(masters)
    return checksum


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
