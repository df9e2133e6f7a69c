"""Measure stackbench against the libraries' way, the bound and itself.

`python -m tests.bench [--quick] [--out FOLDER] [PART …]`

Nights are simulated once and kept in the output folder; the figures go to
`bench.md`, `bench.json` and `lights.png` there. Compare figures of one run only.
"""

import argparse
import json
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.bench import parts
from tests.bench.kernels import kernels_part
from tests.bench.machine import machine_lines
from tests.bench.nights import SHAPES
from tests.bench.report import Part
from tests.bench.runs import Runner
from tests.bench.window import window_part

PARTS: dict[str, Callable[[Path, Runner, parts.Size], Part]] = {
    "night": parts.night_part,
    "growth": parts.growth_part,
    "threads": parts.threads_part,
    "kinds": parts.kinds_part,
    "start": parts.start_part,
    "kernels": kernels_part,
    "window": window_part,
}


def size_of(options: argparse.Namespace) -> parts.Size:
    """Settle how large the nights are."""
    if options.quick:
        small = (626, 832)
        return parts.Size(
            shape=small, lights=8, growth_shape=small, growth_lights=options.lights or (8, 16, 32),
            libraries_up_to=8, bias=9, darks=8, flats=8, listed=100, repeats=1, quick=True,
        )  # fmt: skip
    return parts.Size(
        shape=SHAPES[8],
        lights=16,
        growth_shape=SHAPES[options.megapixels],
        growth_lights=options.lights or (15, 30, 60),
        libraries_up_to=options.libraries_up_to,
        bias=15,
        darks=12,
        flats=12,
        listed=500,
        repeats=options.repeats,
        quick=False,
    )


def measure(options: argparse.Namespace) -> None:
    """Run the parts that were asked for and write what they found."""
    options.out.mkdir(parents=True, exist_ok=True)
    machine = machine_lines()
    lines = ["# Benchmarks", "", *(f"{line}  " for line in machine)]
    figures: dict[str, object] = {"machine": machine}
    print("\n".join(lines), flush=True)
    with tempfile.TemporaryDirectory(dir=options.out, prefix="products_") as folder:
        found = []
        for name in options.parts or PARTS:
            part = PARTS[name](options.out, Runner(Path(folder)), size_of(options))
            found.append(part)
            text = ["", f"## {part.title}", "", *part.lines]
            print("\n".join(text), flush=True)
            lines += text
            figures[name] = part.figures
    (options.out / "bench.md").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (options.out / "bench.json").write_text(json.dumps(figures, indent=1), encoding="utf-8")
    for part in found:
        if part.curves:
            from tests.bench.plot import draw_growth

            draw_growth(options.out / "lights.png", part.curves, title=part.lines[0])
    print(f"\nWritten to {options.out}")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("parts", nargs="*", metavar="PART", help=f"of {', '.join(PARTS)}; all")
    parser.add_argument("--quick", action="store_true", help="small nights, run once or twice")
    parser.add_argument("--out", type=Path, default=Path("out-bench"))
    parser.add_argument(
        "--repeats",
        type=int,
        default=3,
        help="runs of which the middle counts; of a night, so many before and after the libraries'",
    )
    growth = parser.add_argument_group("growth")
    growth.add_argument("--megapixels", type=int, choices=sorted(SHAPES), default=8)
    growth.add_argument("--lights", type=int, nargs="+", help="default 15 30 60")
    growth.add_argument(
        "--libraries-up-to", type=int, default=30, metavar="LIGHTS",
        help="with more the libraries are not run: they hold all lights in memory; default 30",
    )  # fmt: skip
    options = parser.parse_args()
    unknown = sorted(set(options.parts) - set(PARTS))
    if unknown:
        parser.error(f"no such part: {', '.join(unknown)}; there are {', '.join(PARTS)}")
    options.out = options.out.absolute()
    measure(options)


if __name__ == "__main__":
    main()
