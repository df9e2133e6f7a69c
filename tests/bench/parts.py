"""The parts of the benchmarks: each makes its nights, runs the programs and tells."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from stackbench.job.progress import Step
from tests.bench.machine import two_threads
from tests.bench.nights import bench_night, bench_plan
from tests.bench.processes import Cost, run
from tests.bench.report import Curve, Part, number, ratio, table
from tests.bench.runs import BOUND, LIBRARIES, PROJECT, Run, Runner, fewer_lights, middle
from tests.support.simulator.plan import NightPlan

# How long the first run's compilation takes is seen on frames of this size.
_TINY = (200, 240)
_PROGRAMS = (BOUND, PROJECT, LIBRARIES)
_COMMAND = ("-c", "from stackbench.cli.commands import main; main()")


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """How large the nights of a session are; see the options of the command."""

    shape: tuple[int, int]
    lights: int
    growth_shape: tuple[int, int]
    growth_lights: tuple[int, ...]
    libraries_up_to: int
    bias: int
    darks: int
    flats: int
    listed: int
    repeats: int
    quick: bool

    def plan(self, *, filters: Sequence[str] = ("L", "R"), **other: object) -> NightPlan:
        """Plan a night with this size's calibration frames."""
        common = {"bias": self.bias, "darks": self.darks, "flats": self.flats}
        options = {"shape": self.shape, "lights": self.lights, **common, **other}
        return bench_plan(filters=tuple(filters), **options)


# A stage as a reader knows it: the project's steps and the libraries' stages that
# do it, and which frames it works on.
_STAGES = (
    ("start", ("start",), ("start",), None),
    ("sort (project: and checksums)", (Step.FIND, Step.CHECK), ("sort",), "all"),
    ("masters", (Step.MASTERS,), ("masters",), "calibration"),
    ("calibrate, measure", (Step.MEASURE,), ("calibrate", "measure"), "lights"),
    ("register", (Step.REGISTER,), ("register",), "lights"),
    (
        "(project: calibrate,) resample, clip, average",
        (Step.STACK,),
        ("resample", "combine", "write"),
        "lights",
    ),
    ("channels (project only)", (Step.EXPORT,), (), "channels"),
    ("rest (project: verdicts, record, report)", ("rest",), ("rest",), None),
)


def night_part(root: Path, runner: Runner, size: Size) -> Part:
    """Compare the three programs on one night, whole and by stage."""
    night = bench_night(root, size.plan())
    runner.project(night)  # compiles what is not compiled, fills the page cache
    # before and after the libraries' long run: a shared machine changes meanwhile
    bounds = runner.several(BOUND, night, size.repeats)
    projects = runner.several(PROJECT, night, size.repeats)
    libraries = runner.libraries(night)
    projects += runner.several(PROJECT, night, size.repeats)
    bound = middle(bounds + runner.several(BOUND, night, size.repeats))
    project = middle(projects)
    frames = _frames(night)
    mpx = size.shape[0] * size.shape[1] / 1e6
    whole = [
        (f"{program.program}", *_cost_cells(program), ratio(program.seconds, bound.seconds))
        for program in (bound, project, libraries)
    ]
    gain = [
        "libraries / stackbench",
        ratio(libraries.seconds, project.seconds),
        ratio(libraries.cost.processor_s, project.cost.processor_s),
        ratio(libraries.cost.peak_gib, project.cost.peak_gib),
        "",
    ]
    heads = ("whole process", "time, s", "processor, s", "peak, GiB", "times the bound")
    lines = [
        f"{frames['lights']} lights of 2 filters, {frames['calibration']} calibration frames, "
        f"{size.shape[1]}×{size.shape[0]} ({mpx:.1f} Mpx); page cache warm, compiled before, "
        f"nothing stored; bound = reading, decoding and averaging the same files.",
        "",
        *table(heads, [*whole, gain]),
        "",
        *_stage_table(project, libraries, frames, mpx),
    ]
    figures = {
        one.program: {**_figures(one), "stages": one.by_stage()}
        for one in (bound, project, libraries)
    }
    return Part(title="One night", lines=lines, figures=figures)


def growth_part(root: Path, runner: Runner, size: Size) -> Part:
    """Follow time and memory with the number of lights."""
    most = max(size.growth_lights)
    plan = size.plan(filters=("L",), shape=size.growth_shape, lights=most)
    night = bench_night(root, plan)
    runs: dict[str, dict[int, Run]] = {}
    for count in size.growth_lights:
        part = fewer_lights(night, count)
        runner.bound(part)  # fills the page cache
        measured = [runner.repeated(BOUND, part, size.repeats)]
        measured.append(runner.repeated(PROJECT, part, size.repeats))
        if count <= size.libraries_up_to:
            measured.append(runner.libraries(part))
        for one in measured:
            runs.setdefault(one.program, {})[count] = one
    rows = [
        [str(count)]
        + [cell for program in _PROGRAMS for cell in _short_cells(runs.get(program, {}).get(count))]
        for count in size.growth_lights
    ]
    heads = ["lights"] + [f"{program}, {unit}" for program in _PROGRAMS for unit in ("s", "GiB")]
    ny, nx = size.growth_shape
    project = [runs[PROJECT][count] for count in size.growth_lights]
    lines = [f"One filter, {nx}×{ny} ({ny * nx / 1e6:.1f} Mpx).", "", *table(heads, rows), ""]
    lines += _straightness(size.growth_lights, [one.seconds for one in project])
    curves = [
        Curve(
            program=program,
            lights=list(by_count),
            seconds=[one.seconds for one in by_count.values()],
            peak_gib=[one.cost.peak_gib for one in by_count.values()],
        )
        for program, by_count in runs.items()
    ]
    figures = {
        program: {str(count): _figures(one) for count, one in by_count.items()}
        for program, by_count in runs.items()
    }
    return Part(title="Number of lights", lines=lines, figures=figures, curves=curves)


def threads_part(root: Path, runner: Runner, size: Size) -> Part:
    """Compare one thread with two."""
    night = bench_night(root, size.plan())
    runner.project(night)
    one, two = (
        runner.repeated(PROJECT, night, size.repeats, options=("--jobs", jobs))
        for jobs in ("1", "2")
    )
    stages = one.by_stage()
    rows = [
        [name, number(before, 2), number(after, 2), ratio(before, after)]
        for name, before, after in (
            *((name, seconds, two.by_stage()[name]) for name, seconds in stages.items()),
            ("whole", one.seconds, two.seconds),
        )
    ]
    lines = table(("seconds", "--jobs 1", "--jobs 2", "gain"), rows)
    alone = json.loads(run(["-m", "tests.bench.scaling", night]).printed.splitlines()[-1])
    possible = two_threads()
    for what, gains in (
        ("The work on pixels alone", alone),
        ("This machine at work that shares nothing", possible),
    ):
        lines += ["", f"{what}: " + "; ".join(f"{k} {v:.2f}" for k, v in gains.items()) + "."]
    figures = {"1": {**_figures(one), "stages": stages}, "2": _figures(two)}
    figures |= {"alone": alone, "possible": possible}
    figures["2"]["stages"] = two.by_stage()
    return Part(title="Threads", lines=lines, figures=figures)


def kinds_part(root: Path, runner: Runner, size: Size) -> Part:
    """Compare a plain night with one turned by 90° halfway, and with packed files."""
    plain_plan = size.plan(filters=("L",))
    plans = {
        "plain": plain_plan,
        "half of it turned by 90°": size.plan(filters=("L",), turned_night=True),
        "packed (gz, bz2, fz in turn)": replace(plain_plan, suffixes=(".gz", ".bz2", ".fz")),
    }
    runs = {}
    for name, plan in plans.items():
        night = bench_night(root, plan)
        runner.project(night)
        runs[name] = runner.repeated(PROJECT, night, size.repeats)
    plain = runs["plain"]
    rows = []
    for name, one in runs.items():
        stack, as_plain = one.by_stage()[Step.STACK], plain.by_stage()[Step.STACK]
        whole = (*_cost_cells(one), ratio(one.seconds, plain.seconds))
        rows.append([name, *whole, number(stack, 2), ratio(stack, as_plain)])
    heads = ("one filter", "time, s", "processor, s", "peak, GiB", "to plain")
    lines = table((*heads, "stacking, s", "to plain"), rows)
    figures = {name: {**_figures(one), "stages": one.by_stage()} for name, one in runs.items()}
    return Part(title="Kinds of nights", lines=lines, figures=figures)


def start_part(root: Path, runner: Runner, size: Size) -> Part:
    """Time the command's start, a listing of many frames, and the first run's compilation."""
    many = bench_night(root, _listed_plan(size.listed))
    tiny = bench_night(root, _tiny_plan(size))
    runner.project(tiny)
    cache = {"NUMBA_CACHE_DIR": str(runner.empty_folder("kernels"))}
    listed = f"stackbench inspect, {_count(many)} frames"
    costs = {
        "stackbench --help": _middle([run([*_COMMAND, "--help"]) for _ in range(5)]),
        listed: _middle([run([*_COMMAND, "inspect", many]) for _ in range(3)]),
        "first run on a tiny night, kernels to be compiled": runner.project(tiny, extra=cache).cost,
        "the same, kernels compiled before": runner.project(tiny, extra=cache).cost,
    }
    rows = [
        [name, number(cost.seconds, 2), number(cost.processor_s, 2)] for name, cost in costs.items()
    ]
    figures = {
        name: {"seconds": cost.seconds, "processor_s": cost.processor_s}
        for name, cost in costs.items()
    }
    return Part(title="Start", lines=table(("", "time, s", "processor, s"), rows), figures=figures)


def _stage_table(project: Run, libraries: Run, frames: dict[str, int], mpx: float) -> list[str]:
    """Lay the stages side by side, with their throughput."""
    ours, theirs = project.by_stage(), libraries.by_stage()
    rows = []
    for name, mine, others, which in _STAGES:
        a = sum(ours[one] for one in mine)
        b = sum(theirs[one] for one in others) if others else None
        done = frames[which] * mpx if which else None
        speeds = [number(done / t if done and t else None, 0) for t in (a, b)]
        rows.append([name, number(a, 2), speeds[0], number(b, 2), speeds[1], ratio(b, a)])
    heads = ("stage", "stackbench, s", "Mpx·frames/s", "libraries, s", "Mpx·frames/s", "ratio")
    return table(heads, rows)


def _straightness(lights: Sequence[int], seconds: Sequence[float]) -> list[str]:
    """Tell how far the times lie from the straight line through the first and last."""
    if len(lights) < 3:
        return []
    each = (seconds[-1] - seconds[0]) / (lights[-1] - lights[0])
    line = [seconds[0] + each * (count - lights[0]) for count in lights]
    off = max(abs(s / on_line - 1) for s, on_line in zip(seconds, line, strict=True))
    return [
        f"stackbench takes {each:.3f} s for each light more; the times lie within "
        f"{off:.0%} of the straight line through the first and the last."
    ]


def _middle(costs: list[Cost]) -> Cost:
    return sorted(costs, key=lambda cost: cost.seconds)[(len(costs) - 1) // 2]


def _frames(night: Path) -> dict[str, int]:
    lights = [path for path in night.rglob("*") if path.is_file() and "lights" in path.parts]
    every = _count(night)
    channels = len({path.parent for path in lights})
    return {
        "all": every,
        "lights": len(lights),
        "calibration": every - len(lights),
        "channels": channels,
    }


def _count(night: Path) -> int:
    return sum(path.is_file() for path in night.rglob("*"))


def _listed_plan(frames: int) -> NightPlan:
    """Plan a night of that many small frames in five filters: only headers are read."""
    filters = ("L", "R", "G", "B", "Ha")
    flats, level = frames // 25, frames // 20
    lights = (frames - 2 * level) // len(filters) - flats
    return bench_plan(
        shape=(80, 100), lights=lights, filters=filters, bias=level, darks=level, flats=flats
    )


def _tiny_plan(size: Size) -> NightPlan:
    """Plan a night of small frames, deep enough for every kernel."""
    return replace(size, shape=_TINY, lights=8, bias=8, darks=8, flats=8).plan(filters=("L",))


def _cost_cells(one: Run) -> tuple[str, str, str]:
    cost = one.cost
    return number(cost.seconds, 2), number(cost.processor_s, 2), number(cost.peak_gib, 2)


def _short_cells(one: Run | None) -> tuple[str, str]:
    if one is None:
        return "not run", ""
    return number(one.seconds, 2), number(one.cost.peak_gib, 2)


def _figures(one: Run) -> dict[str, float | None]:
    cost = one.cost
    return {"seconds": cost.seconds, "processor_s": cost.processor_s, "peak_gib": cost.peak_gib}
