"""The second step: make the masters, or find them as an earlier run left them."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.records import (
    CalibrationSet,
    Master,
    MasterFacts,
    Serving,
    facts_of,
)
from stackbench.frames.names import safe_name, setup_label
from stackbench.frames.records import Kind, Problem
from stackbench.job.background import Background
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.pixels import PixelDesk
from stackbench.job.progress import Step
from stackbench.job.saturation import camera_saturation
from stackbench.job.store import file_mark, key_of

_FACTS: TypeAdapter[MasterFacts] = TypeAdapter(MasterFacts)
_PROBLEMS: TypeAdapter[list[Problem]] = TypeAdapter(list[Problem])


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedMaster:
    """A master on disk; `key` stands for all that it was made from."""

    key: str
    path: Path
    facts: MasterFacts


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
    names = _names(plan.sets)
    bench.progress.begin(Step.MASTERS, sum(len(one.frames) for one in plan.sets))
    with Background() as background:
        for one in plan.sets:
            if one.kind is Kind.FLAT:
                background.finish()  # what flats need must be on disk
            key = _key(bench, found, plan, shelf, desk, one)
            path = bench.out / "masters" / names[one]
            if not _recall(bench, shelf, one, key, path):
                from stackbench.job.mastermaking import make_master

                made, problems = make_master(bench, found, plan, shelf, desk, one)
                shelf.problems += problems
                if made is not None:
                    facts = facts_of(made)
                    shelf.put(one, FinishedMaster(key=key, path=path, facts=facts))
                    shelf.problems += facts.problems
                keep = partial(_keep, bench, found, one, key, path, made, problems)
                background.start(partial(_keep_and_tell, keep, hear, shelf.all()))
                desk.release(one.frames)
            bench.progress.advance(Step.MASTERS, len(one.frames))
    bench.progress.end(Step.MASTERS)
    hear(shelf.all())
    return shelf


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


def _recall(bench: Bench, shelf: MasterShelf, one: CalibrationSet, key: str, path: Path) -> bool:
    """Put a master of an earlier run on the shelf, if it is still what it was."""
    known = bench.store.recall("master", key)
    if known is None:
        return False
    record = _with_paths(
        known[0], dict(zip(known[0]["frames"], map(str, _paths(one)), strict=True))
    )
    problems = _PROBLEMS.validate_python(record["problems"])
    if record["facts"] is not None:
        if record["file"] != [path.name, file_mark(path)]:
            return False
        facts = _FACTS.validate_python(record["facts"])
        shelf.put(one, FinishedMaster(key=key, path=path, facts=facts))
        problems += facts.problems
    shelf.problems += problems
    return True


def _keep(
    bench: Bench,
    found: Found,
    one: CalibrationSet,
    key: str,
    path: Path,
    made: Master | None,
    problems: list[Problem],
) -> None:
    """Write a master, and then remember it."""
    record: dict[str, Any] = {
        "problems": _PROBLEMS.dump_python(problems, mode="json"),
        "facts": None,
        "frames": list(map(str, _paths(one))),
    }
    if made is not None:
        from stackbench.job.mastermaking import write_finished

        write_finished(bench, found, path, made)
        record["facts"] = _FACTS.dump_python(facts_of(made), mode="json")
        record["file"] = [path.name, file_mark(path)]
    bench.store.keep("master", key, record)


def _keep_and_tell(keep: Callable[[], None], hear: HearMasters, masters: Masters) -> None:
    keep()
    hear(masters)


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


def _names(sets: Sequence[CalibrationSet]) -> dict[CalibrationSet, str]:
    """Name the files of masters so that a person knows them apart."""
    plain = {one: _name(one) for one in sets}
    # folders on Windows and macOS do not tell the filters r and R apart
    often = Counter(name.casefold() for name in plain.values())
    names: dict[CalibrationSet, str] = {}
    seen: Counter[str] = Counter()
    for one, name in plain.items():
        seen[name.casefold()] += 1
        number = f"_{seen[name.casefold()]}" if often[name.casefold()] > 1 else ""
        names[one] = f"{name}{number}.fits"
    return names


def _name(one: CalibrationSet) -> str:
    parts = [one.kind.value]
    if one.kind is Kind.FLAT:
        parts.append(one.filter or "nofilter")
        parts.append(one.night.isoformat() if one.night else "undated")
    if one.kind in (Kind.DARK, Kind.DARK_FLAT):
        parts.append(f"{one.exposure_s:g}s" if one.exposure_s is not None else "untimed")
        if one.temperature_c is not None:
            parts.append(f"{round(one.temperature_c):+d}C")
    parts.append(setup_label(one.setup))
    return safe_name("_".join(parts))
