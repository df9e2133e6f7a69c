"""One thread against two at the work on pixels alone, in one process.

`python -m tests.bench.scaling NIGHT`: what a job does in one thread, as loading
libraries and writing the report, is left out. The two take turns; the middle of
the ratios counts. The last line is a JSON object of the gains.
"""

import json
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from stackbench.calibration.apply import CalibratedRows, calibrate_frame
from stackbench.calibration.combine import combine_rows
from stackbench.frames.pixels import MappedRows, PixelFile, pixel_file
from stackbench.frames.records import Kind
from stackbench.frames.room import Room
from stackbench.frames.scan import scan_folders
from stackbench.frames.work import in_threads
from stackbench.rejection.methods import Method, Rejection
from stackbench.stacking.engine import stack_subs
from stackbench.stacking.records import StackInput
from stackbench.stars.quality import measure_frame
from tests.bench.stacking import calibrator, turned

_REPEATS = 5
_NOISE_ADU = 25.0
_TURN_DEG = 0.02


def gain(work: Callable[[int], object]) -> float:
    """Tell how many times faster two threads are than one."""
    ratios = []
    for _ in range(_REPEATS + 1):
        seconds = []
        for threads in (1, 2):
            began = time.perf_counter()
            work(threads)
            seconds.append(time.perf_counter() - began)
        ratios.append(seconds[0] / seconds[1])
    return statistics.median(ratios[1:])  # the first loads what is compiled


def gains(lights: list[PixelFile]) -> dict[str, float]:
    """Tell the gain of measuring, of stacking and of combining some lights."""
    rng = np.random.default_rng(1)
    shape, half = lights[0].layout.shape, lights[: len(lights) // 2]
    masters, room = calibrator(shape, rng), Room()
    clip = Rejection(method=Method.AUTO)

    def measure(light: PixelFile) -> None:
        frame = calibrate_frame(light, masters, room=room)
        measure_frame(frame.data, saturated=frame.saturated)

    subs = [
        StackInput(
            source=CalibratedRows(light, masters),
            matrix=turned(_TURN_DEG * rng.standard_normal(), shape, rng),
            noise_adu=_NOISE_ADU,
        )
        for light in half
    ]
    rows, noise = [MappedRows(light) for light in half], [_NOISE_ADU] * len(half)
    return {
        "read, decode, calibrate, measure": gain(lambda n: in_threads(measure, lights, threads=n)),
        "read, calibrate, resample, clip, average": gain(
            lambda n: stack_subs(subs, grid_shape=shape, rejection=clip, jobs=n)
        ),
        "read, decode, clip, average": gain(
            lambda n: combine_rows(rows, rejection=clip, noise=noise, jobs=n)
        ),
    }


def main() -> None:
    """Measure the lights of a night and print the gains."""
    frames = scan_folders([Path(sys.argv[1])]).frames
    lights = [pixel_file(frame) for frame in frames if frame.kind is Kind.LIGHT]
    print(json.dumps(gains([light for light in lights if light is not None])))


if __name__ == "__main__":
    main()
