"""The benchmarks of single floors, which can also be run on their own."""

from pathlib import Path

from tests.bench.parts import Size
from tests.bench.processes import ROOT, run
from tests.bench.report import Part
from tests.bench.runs import Runner

# Programs of this folder that measure one floor, with what makes them quick.
_QUICK = {
    "calibration": (),
    "rejection": (),
    "stacking": ("--mpx", "1", "--subs", "8"),
    "stars": ("--fields", "10"),
}


def kernels_part(root: Path, runner: Runner, size: Size) -> Part:  # noqa: ARG001
    """Run each floor's own benchmark and hand on what it prints."""
    lines: list[str] = []
    seconds: dict[str, float] = {}
    for name, quick in _QUICK.items():
        if not (ROOT / "tests" / "bench" / f"{name}.py").exists():
            continue
        cost = run(["-m", f"tests.bench.{name}", *(quick if size.quick else ())])
        seconds[name] = cost.seconds
        lines += [f"`python -m tests.bench.{name}`", "", "```", cost.printed.rstrip(), "```", ""]
    return Part(title="Single floors", lines=lines, figures=seconds)
