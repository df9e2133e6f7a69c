"""Nights for benchmarks, made once for each set of parameters and then kept."""

import argparse
import hashlib
import json
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from stackbench.frames.records import Kind
from tests.support.simulator import factories
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night
from tests.support.simulator.plan import MountPlan, NightPlan
from tests.support.simulator.truth import NightTruth

# sensors by their millions of pixels: (ny, nx)
SHAPES = {8: (2504, 3326), 26: (4176, 6248), 61: (6388, 9576)}
_TRUTH = "truth.json"


def bench_plan(
    *,
    shape: tuple[int, int],
    lights: int,
    filters: tuple[str, ...] = ("L", "R"),
    bias: int = 15,
    darks: int = 12,
    flats: int = 12,
    stars_per_mpx: float = 250.0,
    turned_night: bool = False,
    suffixes: tuple[str, ...] = ("",),
) -> NightPlan:
    """Plan a good night of the size asked for; see `plan_small_night`.

    With `turned_night` the lights are halved between two nights, the second
    with the camera turned by 90°, so that their number stays the same.
    """
    ny, nx = shape
    plan = plan_small_night(
        shape=shape,
        filters=filters,
        lights=lights // 2 if turned_night else lights,
        bias=bias,
        darks=darks,
        flats=flats // 2 if turned_night else flats,
        exposure_s=120.0,
        stars=round(stars_per_mpx * ny * nx / 1e6),
        turned_night=turned_night,
        suffixes=suffixes,
    )
    return replace(plan, mount=MountPlan(dither_px=15.0, rotation_deg=0.001))


def bench_night(root: Path, plan: NightPlan, *, seed: int = 1, workers: int = 2) -> Path:
    """Give the folder of a night's frames, made if it is not there yet.

    Parameters
    ----------
    root : Path
        Folder that keeps the nights of all benchmarks.
    plan : NightPlan
        What the night holds; a changed plan or simulator makes another folder.
    seed : int
        Seed of the randomness.
    workers : int
        Threads that make frames.

    Returns
    -------
    Path
        The night's folder, with `truth.json` beside it under the same name.
    """
    ny, nx = plan.shape
    folder = root / f"night_{nx}x{ny}_{_key(plan, seed)}"
    if folder.exists():
        return folder
    unfinished = root / f"{folder.name}.part"
    if unfinished.exists():
        shutil.rmtree(unfinished)
    truth = simulate_night(unfinished, rng=np.random.default_rng(seed), night=plan, workers=workers)
    truth_file = root / f"{folder.name}.{_TRUTH}"
    truth_file.write_text(json.dumps(_truth_rows(truth, unfinished), indent=1), encoding="utf-8")
    unfinished.rename(folder)
    return folder


def bench_truth(folder: Path) -> list[dict[str, object]]:
    """Give the truth of each light of a kept night: path, filter, to_grid, and so on."""
    text = (folder.parent / f"{folder.name}.{_TRUTH}").read_text(encoding="utf-8")
    rows: list[dict[str, object]] = json.loads(text)
    return rows


def _key(plan: NightPlan, seed: int) -> str:
    sources = sorted(Path(factories.__file__).parent.glob("*.py"))
    digest = hashlib.sha256(f"{plan!r} {seed}".encode())
    for source in sources:
        digest.update(source.read_bytes())
    return digest.hexdigest()[:12]


def _truth_rows(truth: NightTruth, folder: Path) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for frame in truth.of_kind(Kind.LIGHT):
        light = frame.light
        if light is None or light.recorded is None:
            continue
        rows.append(
            {
                "path": frame.path.relative_to(folder).as_posix(),
                "filter": frame.filter,
                "to_grid": light.to_grid.tolist(),
                "transparency": light.transparency,
                "sky_e": light.sky_e,
                "fwhm_px": light.recorded.fwhm_px,
                "axis_ratio": light.recorded.axis_ratio,
            }
        )
    return rows


def main() -> None:
    """Make one night from the command line and print where it lies."""
    parser = argparse.ArgumentParser(description="Make a simulated night for benchmarks.")
    parser.add_argument("root", type=Path)
    parser.add_argument("--megapixels", type=int, choices=sorted(SHAPES), default=8)
    parser.add_argument("--lights", type=int, default=16, help="of each filter")
    parser.add_argument("--filters", nargs="+", default=["L", "R"])
    parser.add_argument("--bias", type=int, default=15)
    parser.add_argument("--darks", type=int, default=12)
    parser.add_argument("--flats", type=int, default=12, help="of each filter")
    parser.add_argument("--turned", action="store_true", help="half of them turned by 90°")
    parser.add_argument("--pack", choices=["", ".gz", ".bz2", ".fz"], default="")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    plan = bench_plan(
        shape=SHAPES[options.megapixels],
        lights=options.lights,
        filters=tuple(options.filters),
        bias=options.bias,
        darks=options.darks,
        flats=options.flats,
        turned_night=options.turned,
        suffixes=(options.pack,),
    )
    started = time.perf_counter()
    folder = bench_night(options.root, plan, workers=options.workers)
    seconds = time.perf_counter() - started
    frames = [path for path in folder.rglob("*") if path.is_file()]
    megapixels = len(frames) * plan.shape[0] * plan.shape[1] / 1e6
    print(f"{len(frames)} frames, {megapixels:.0f} Mpx, in {folder} after {seconds:.1f} s")


if __name__ == "__main__":
    main()
