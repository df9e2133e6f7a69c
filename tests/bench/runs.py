"""The three programs that are compared, run on a night and measured."""

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.bench.processes import Cost, run
from tests.bench.stages import Stage, read_stages, seconds_by_stage

PROJECT, LIBRARIES, BOUND = "stackbench", "libraries", "bound"


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One program's run on one night."""

    program: str
    cost: Cost
    stages: tuple[Stage, ...]

    @property
    def seconds(self) -> float:
        """From the start of the process to its end."""
        return self.cost.seconds

    def by_stage(self) -> dict[str, float]:
        """Seconds of each stage; with `start` before the first, `rest` between and after."""
        stages = seconds_by_stage(list(self.stages))
        start = self.stages[0].began - self.cost.began
        rest = self.cost.seconds - start - sum(stages.values())
        return {"start": start, **stages, "rest": rest}


def fewer_lights(night: Path, count: int) -> Path:
    """Make a night of the same files with `count` of its lights, spread evenly."""
    folder = night.with_name(f"{night.name}_{count}_lights")
    if folder.exists():
        return folder
    unfinished = night.with_name(f"{folder.name}.part")
    if unfinished.exists():
        shutil.rmtree(unfinished)
    frames = sorted(path for path in night.rglob("*") if path.is_file())
    lights = [path for path in frames if "lights" in path.relative_to(night).parts]
    if count > len(lights):
        raise ValueError(f"{count} of {len(lights)} lights")
    chosen = {lights[index * len(lights) // count] for index in range(count)}
    for path in frames:
        if path in chosen or path not in lights:
            there = unfinished / path.relative_to(night)
            there.parent.mkdir(parents=True, exist_ok=True)
            os.link(path, there)
    unfinished.rename(folder)
    return folder


def middle(runs: Sequence[Run]) -> Run:
    """Give the run in the middle by time."""
    return sorted(runs, key=lambda one: one.seconds)[(len(runs) - 1) // 2]


class Runner:
    """Runs programs on nights, each time into an empty folder that is removed again.

    Parameters
    ----------
    folder : Path
        Where products go while they are needed.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def empty_folder(self, name: str) -> Path:
        """Give a new folder beside the products."""
        folder = self._folder / name
        folder.mkdir()
        return folder

    def project(
        self, night: Path, *, options: Sequence[str] = (), extra: Mapping[str, str] | None = None
    ) -> Run:
        """Run the `stackbench` command, from nothing, with more environment variables."""
        words = ["run", night, *options, "--out"]
        return self._run(PROJECT, "tests.bench.project", words, extra)

    def libraries(self, night: Path) -> Run:
        """Run the job put together from libraries."""
        return self._run(LIBRARIES, "tests.bench.libraries", [night])

    def bound(self, night: Path) -> Run:
        """Run what only reads, decodes and averages."""
        return self._run(BOUND, "tests.bench.bound", [night])

    def repeated(
        self, program: str, night: Path, times: int, *, options: Sequence[str] = ()
    ) -> Run:
        """Run the project or the bound, and give the run in the middle by time."""
        return middle(self.several(program, night, times, options=options))

    def several(
        self, program: str, night: Path, times: int, *, options: Sequence[str] = ()
    ) -> list[Run]:
        """Run the project or the bound so many times."""
        return [
            self.bound(night) if program == BOUND else self.project(night, options=options)
            for _ in range(times)
        ]

    def _run(
        self,
        program: str,
        module: str,
        arguments: Sequence[str | Path],
        extra: Mapping[str, str] | None = None,
    ) -> Run:
        out, times = self._folder / "out", self._folder / "times.json"
        cost = run(["-m", module, times, *arguments, out], extra=extra)
        shutil.rmtree(out)
        return Run(program=program, cost=cost, stages=tuple(read_stages(times)))
