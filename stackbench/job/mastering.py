"""The second step: make the masters, or find them as an earlier run left them."""

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.records import (
    CalibrationSet,
    Master,
    StoredMaster,
    facts_of,
)
from stackbench.export.files import product_sha256
from stackbench.frames.records import Frame, Kind, Problem
from stackbench.frames.work import in_threads
from stackbench.job.background import Background
from stackbench.job.bench import Bench
from stackbench.job.keys import file_mark, key_of
from stackbench.job.masterfacts import master_facts
from stackbench.job.masternames import master_names
from stackbench.job.progress import Step
from stackbench.job.remembering import remember_masters
from stackbench.job.saturation import camera_saturation
from stackbench.job.shelf import FinishedMaster, Masters, on_disk
from stackbench.job.workshop import Workshop

_PROBLEMS: TypeAdapter[list[Problem]] = TypeAdapter(list[Problem])
# What one thread does alone for one master (medians, defects, waiting for the disk)
# goes on beside another; more would only take more memory.
_AT_ONCE = 2
FEW_PAIRS = 3
"""So many pairs of flats give the gain to 0.3 %, and cost a run little time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """A master that a set asks for: its key, and the file to find or to make."""

    one: CalibrationSet
    key: str
    path: Path


HearMasters = Callable[[Masters], None]


def unheard(masters: Masters) -> None:
    """Hear nothing.

    Parameters
    ----------
    masters : Masters
        Is not looked at.
    """


def make_masters(shop: Workshop, *, background: Background, hear: HearMasters = unheard) -> None:
    """Make the master of every set, or take it as an earlier run left it.

    They come on the shelf, though the last may not be written yet, with
    problems for sets and frames that could not be used.

    Parameters
    ----------
    shop : Workshop
        The bench and the frames; its shelf is empty.
    background : Background
        Writes a master while others are made, or used.
    hear : callable
        Called with the masters on disk whenever one was written, from any
        thread, and when all are made.
    """
    bench, sets = shop.bench, shop.plan.sets
    making = _Making(shop, background, hear)
    bench.progress.begin(Step.MASTERS, sum(len(one.frames) for one in sets))
    for flats in (False, True):  # flats are freed of the masters of the others
        of_kind = [one for one in sets if (one.kind is Kind.FLAT) is flats]
        in_threads(
            making.make,
            (wanted for one in of_kind if (wanted := making.wanted(one)) is not None),
            threads=min(bench.threads, _AT_ONCE),
            stop=bench.stop,
        )
    remember_masters(bench.store, [master.key for _, master in shop.shelf.all()])
    shop.shelf.problems += [problem for one in sets for problem in making.problems[one]]
    bench.progress.end(Step.MASTERS)
    making.tell()


class _Making:
    """The making of a job's masters; `problems` are those of each set."""

    def __init__(self, shop: Workshop, background: Background, hear: HearMasters) -> None:
        self._shop = shop
        self._background = background
        self._hear = hear
        self._names = master_names([one for one in shop.plan.sets if one.stored is None])
        self._lock = threading.Lock()
        self.problems: dict[CalibrationSet, Sequence[Problem]] = {}

    def wanted(self, one: CalibrationSet) -> _Wanted | None:
        """Say what is to be made of a set; None if its master is there already."""
        if one.stored is not None:
            self._put(one, _borrowed(one.stored), ())
            return None
        key = _key(self._shop, one)
        wanted = _Wanted(one=one, key=key, path=self._shop.bench.out / "masters" / self._names[one])
        recalled = _recall(self._shop.bench, wanted)
        if recalled is None:
            return wanted
        self._put(one, *recalled)
        return None

    def make(self, wanted: _Wanted) -> None:
        """Make a master, put it on the shelf and have it written; for any thread."""
        from stackbench.job.mastermaking import make_master

        one = wanted.one
        made = make_master(self._shop, one)
        if made.unread:
            # another master than that of the whole set, for which the next run looks
            unread = [self._shop.found.checksums[frame] for frame in made.unread]
            wanted = replace(wanted, key=key_of(wanted.key, "without", unread))
        master = made.master
        if master is None:
            self._put(one, None, made.problems)
            _keep(self._shop.bench, wanted, made.problems, None)
        else:
            finished = FinishedMaster(
                key=wanted.key, path=wanted.path, facts=facts_of(master), written=Future()
            )
            # flats or lights want it next, before it is written
            self._shop.desk.masters.get(wanted.key, lambda: master)
            self._put(one, finished, made.problems)
            self._background.start(partial(self._write, wanted, finished, master, made.problems))
        self._shop.desk.release(_not_needed_again(one))

    def tell(self) -> None:
        """Tell which masters are on the disk."""
        with self._lock:  # so that what is heard last is the latest
            masters = self._shop.shelf.all()
            self._hear(tuple((one, master) for one, master in masters if master.written.done()))

    def _put(
        self, one: CalibrationSet, finished: FinishedMaster | None, problems: Sequence[Problem]
    ) -> None:
        with self._lock:
            self.problems[one] = problems
            if finished is not None:
                self._shop.shelf.put(one, finished)
                self.problems[one] = (*problems, *finished.facts.problems)
        self._shop.bench.progress.advance(Step.MASTERS, len(one.frames))

    def _write(
        self,
        wanted: _Wanted,
        finished: FinishedMaster,
        master: Master,
        problems: Sequence[Problem],
    ) -> None:
        from stackbench.job.mastermaking import write_finished

        try:
            write_finished(self._shop.bench, self._shop.found, wanted.path, master)
            sha256 = product_sha256(wanted.path)
        except BaseException as error:
            finished.written.set_exception(error)  # for who waits for it
            raise
        finished.written.set_result(sha256)
        _keep(self._shop.bench, wanted, problems, finished)
        self.tell()


def _key(shop: Workshop, one: CalibrationSet) -> str:
    servings: list[str] = []
    saturation_adu = None
    if one.kind is Kind.FLAT:
        servings = [shop.shelf.serving_key(shop.plan.servings[frame.path]) for frame in one.frames]
        saturation_adu = camera_saturation(shop, one.setup.camera)
    return key_of(
        __version__,
        one.kind,
        [shop.found.checksums[frame.path] for frame in one.frames],
        shop.bench.settings.masters,
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
        facts=master_facts().validate_python(record["facts"]),
        written=on_disk(record["sha256"]),
    )
    return finished, problems


def _borrowed(stored: StoredMaster) -> FinishedMaster:
    """Take a master of an earlier night as if it had just been made."""
    return FinishedMaster(
        key=stored.sha256, path=stored.path, facts=stored.facts, written=on_disk(stored.sha256)
    )


def _keep(
    bench: Bench, wanted: _Wanted, problems: Sequence[Problem], finished: FinishedMaster | None
) -> None:
    """Remember what was made of a set, for later runs."""
    record: dict[str, Any] = {
        "problems": _PROBLEMS.dump_python(list(problems), mode="json"),
        "facts": None,
        "frames": list(map(str, _paths(wanted.one))),
    }
    if finished is not None:
        record["facts"] = master_facts().dump_python(finished.facts, mode="json")
        record["file"] = [finished.path.name, file_mark(finished.path)]
        record["sha256"] = finished.sha256
    bench.store.keep("master", wanted.key, record)


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
