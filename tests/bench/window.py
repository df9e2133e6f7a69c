"""The window on a long night of a large sensor: opening, flicking, memory, held-up loop."""

import json
import shutil
from pathlib import Path
from statistics import median
from typing import Any

from tests.bench.longnight import long_night
from tests.bench.nights import SHAPES, bench_night, bench_plan
from tests.bench.parts import Size
from tests.bench.processes import run
from tests.bench.report import Part, number, table
from tests.bench.runs import Runner

_FILTERS = ("L", "R", "G")


def window_part(root: Path, runner: Runner, size: Size) -> Part:
    """Open 300 subs of 26 Mpx (24 small ones when quick) and go through them.

    The long night takes 16 GB and is removed afterwards.
    """
    shape, lights = (size.shape, 24) if size.quick else (SHAPES[26], 300)
    plan = bench_plan(shape=shape, lights=3, filters=_FILTERS, bias=5, darks=5, flats=5)
    night = long_night(bench_night(root, plan), lights)
    folder = runner.empty_folder("window")
    try:
        judged, _ = _window(folder, "judge", night)
        flicked, peak = _window(folder, "flick", night)
    finally:
        shutil.rmtree(night)
    rows = [
        ["a new night's ribbon shows all subs", number(judged["ribbon_s"], 2), ""],
        ["a known night's", number(flicked["ribbon_s"], 2), ""],
        ["a sub not fetched, key to paint", *_spread(flicked["cold_s"])],
        ["a sub fetched ahead, key to paint", *_spread(flicked["ahead_s"])],
        ["the first sub of a filter", *_spread(flicked["first_of_filter_s"])],
        ["event loop held up while measuring", "", number(max(judged["longest_gaps_s"]), 3)],
    ]
    ny, nx = shape
    return Part(
        title=f"Window, {lights} subs of {ny * nx / 1e6:.0f} Mpx",
        lines=[
            *table(("", "middle, s", "longest, s"), rows),
            "",
            f"Peak memory of the window while going through all: {number(peak, 2)} GiB",
        ],
        figures={"judged": judged, "flicked": flicked, "peak_gib": peak},
    )


def _window(folder: Path, what: str, night: Path) -> tuple[dict[str, Any], float | None]:
    figures = folder / f"{what}.json"
    cost = run(["-m", "tests.bench.flicking", figures, what, night, folder / "out"])
    found: dict[str, Any] = json.loads(figures.read_text(encoding="utf-8"))
    return found, cost.peak_gib


def _spread(seconds: list[float]) -> list[str]:
    return [number(median(seconds), 3), number(max(seconds), 3)]
