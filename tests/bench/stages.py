"""Stages of a run: when each began and ended, kept in a file for whoever asked."""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage of a run.

    `began` and `ended` are times of the machine's clock, in seconds;
    `processor_s` is what all threads of the process used in between.
    """

    name: str
    began: float
    ended: float
    processor_s: float

    @property
    def seconds(self) -> float:
        """How long it took."""
        return self.ended - self.began


class StageClock:
    """Takes down the stages of a run; a stage may come more than once."""

    def __init__(self) -> None:
        self.stages: list[Stage] = []
        self._running: dict[str, tuple[float, float]] = {}

    def begin(self, name: str) -> None:
        """Take down that a stage begins now."""
        self._running[name] = time.time(), time.process_time()

    def end(self, name: str) -> None:
        """Take down that a stage ends now."""
        began, used = self._running.pop(name)
        processor_s = time.process_time() - used
        self.stages.append(
            Stage(name=name, began=began, ended=time.time(), processor_s=processor_s)
        )

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time a block."""
        self.begin(name)
        yield
        self.end(name)

    def write(self, path: Path) -> None:
        """Write all stages to a file."""
        path.write_text(json.dumps([asdict(stage) for stage in self.stages]), encoding="utf-8")


def read_stages(path: Path) -> list[Stage]:
    """Read what a `StageClock` wrote."""
    return [Stage(**row) for row in json.loads(path.read_text(encoding="utf-8"))]


def seconds_by_stage(stages: list[Stage]) -> dict[str, float]:
    """Add up the seconds of each stage, in the order of their first coming."""
    total: dict[str, float] = {}
    for stage in stages:
        total[stage.name] = total.get(stage.name, 0.0) + stage.seconds
    return total
