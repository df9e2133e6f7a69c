"""What the stack pass costs, stage by stage, and in memory.

Run it with ``python -m tests.bench.stacking``; ``--mpx 26 --subs 60`` for more.
The frames are noise with bad pixels: no stage's time depends on what is on them.
"""

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from stackbench.calibration.apply import CalibratedRows, Calibrator
from stackbench.frames.pixels import PixelFile
from stackbench.frames.records import PixelLayout
from stackbench.frames.room import Room
from stackbench.registration.placement import place
from stackbench.registration.resampling import resample
from stackbench.rejection.depth import combine_depth
from stackbench.rejection.methods import Method, Rejection, choose
from stackbench.stacking.engine import stack_subs
from stackbench.stacking.records import StackInput
from stackbench.stacking.tiles import cut_grid
from tests.support.subs import ArrayBlocks, similarity

SHAPES = {1: (1000, 1200), 8: (2504, 3326), 26: (4176, 6248), 61: (6388, 9576)}
TURNS = {"shift": 0.0, "0.1°": 0.1, "flip": 180.1, "90°": 90.1, "2°": 2.0, "17°": 17.0}


def seconds(work: Callable[[], object], *, cpu: bool = False) -> float:
    """Time the second of two runs, by the clock or by the processor's time."""
    work()
    clock = time.thread_time if cpu else time.perf_counter
    start = clock()
    work()
    return clock() - start


def turned(degrees: float, shape: tuple[int, int], rng: np.random.Generator) -> NDArray:
    """Place a dithered sub on a grid of its own shape."""
    centre = (shape[1] / 2 - 0.5, shape[0] / 2 - 0.5)
    return similarity(degrees=degrees, centre=centre, shift=rng.uniform(-15, 15, 2), scale=1.00002)


def write_frame(path: Path, shape: tuple[int, int], rng: np.random.Generator) -> PixelFile:
    """Write one frame of 16-bit pixels behind an empty header."""
    pixels = rng.normal(1200, 25, shape).astype(np.int32) - 32768
    path.write_bytes(b" " * 2880 + pixels.astype(">i2").tobytes())
    layout = PixelLayout(hdu=0, shape=shape, bitpix=16, bzero=32768.0, data_offset=2880)
    return PixelFile(path=path, layout=layout)


def calibrator(shape: tuple[int, int], rng: np.random.Generator) -> Calibrator:
    """Make masters, one pixel in a thousand bad."""
    level = np.full(shape, 500, dtype=np.float32)
    inverse = np.ones(shape, dtype=np.float32)
    inverse[rng.random(shape, dtype=np.float32) < 1e-3] = np.nan
    return Calibrator(subtract=level, multiply=inverse)


def resampling_table(shape: tuple[int, int], rng: np.random.Generator) -> None:
    """Print the speed of resampling by the kind of turn, and of scipy's spline."""
    pixels = rng.normal(1000, 20, shape).astype(np.float32)
    holed = pixels.copy()
    holed[rng.random(shape) < 1e-3] = np.nan
    source, room = ArrayBlocks(holed), Room()
    mpx = pixels.size / 1e6
    for name, degrees in TURNS.items():
        placement = place(turned(degrees, shape, rng), shape)
        pieces = cut_grid(shape, [placement] * 16)
        out = np.empty(max(a.shape[0] * a.shape[1] for a in pieces), dtype=np.float32)

        def work(placement=placement, pieces=pieces, out=out) -> None:
            for area in pieces:
                into = out[: area.shape[0] * area.shape[1]].reshape(area.shape)
                resample(source, placement, area, noise_adu=20.0, into=into, room=room)

        print(f"resample, {name:6s} {mpx / seconds(work, cpu=True):8.0f} Mpx/s a core")
    for order in (3, 5):
        angle = np.deg2rad(0.1)
        linear = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        spent = seconds(
            lambda order=order, linear=linear: affine_transform(
                pixels, linear, (2.2, 3.3), order=order
            ),
            cpu=True,
        )
        print(f"scipy spline of order {order} {mpx / spent:4.0f} Mpx/s a core")


def stack_table(folder: Path, shape: tuple[int, int], depth: int, turn: float) -> None:
    """Print the speed of the whole pass, files to channel, and of its other stages."""
    rng = np.random.default_rng(2)
    masters = calibrator(shape, rng)
    files = [write_frame(folder / f"{k}.raw", shape, rng) for k in range(depth)]
    subs = [
        StackInput(
            source=CalibratedRows(file, masters),
            matrix=turned(turn * (k % 2) + 0.03 * rng.standard_normal(), shape, rng),
            noise_adu=25.0,
        )
        for k, file in enumerate(files)
    ]
    total = depth * shape[0] * shape[1] / 1e6
    band = np.empty((128, shape[1]), dtype=np.float32)

    def read() -> None:
        for sub in subs:
            for y in range(0, shape[0], 128):
                stop = min(y + 128, shape[0])
                sub.source.block_into(y, stop, 0, shape[1], out=band[: stop - y])

    print(f"read, calibrate {total / seconds(read, cpu=True):9.0f} Mpx/s a core")
    rejection = Rejection(method=Method.AUTO)
    cube = rng.normal(1000, 25, (depth, 1 << 18)).astype(np.float32)
    chosen = choose(rejection, depth).rejection
    spent = seconds(lambda: combine_depth(cube, rejection=chosen), cpu=True)
    print(f"combine         {cube.size / 1e6 / spent:9.0f} Mpx/s a core")
    for jobs in (1, 2):
        processor = time.process_time()
        spent = seconds(
            lambda jobs=jobs: stack_subs(subs, grid_shape=shape, rejection=rejection, jobs=jobs)
        )
        processor = (time.process_time() - processor) / 2
        print(
            f"whole, {jobs} threads {total / spent:8.0f} Mpx·frames/s, {spent:.2f} s,"
            f" {total / processor:.0f} by processor time"
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mpx", type=int, choices=SHAPES, default=8)
    parser.add_argument("--subs", type=int, default=16)
    parser.add_argument("--turn", type=float, default=0.0, help="of every second sub, degrees")
    parser.add_argument("--only-stack", action="store_true")
    options = parser.parse_args()
    shape = SHAPES[options.mpx]
    if not options.only_stack:
        resampling_table(shape, np.random.default_rng(1))
    with tempfile.TemporaryDirectory() as folder:
        stack_table(Path(folder), shape, options.subs, options.turn)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory {peak / (1 << (30 if sys.platform == 'darwin' else 20)):.2f} GiB")


if __name__ == "__main__":
    main()
