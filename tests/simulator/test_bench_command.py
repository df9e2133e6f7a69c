"""The benchmarks run, and measure what they say."""

import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from astropy.io import fits

from tests.bench.bound import mean_of
from tests.bench.nights import bench_night, bench_plan
from tests.bench.parts import Size, night_part
from tests.bench.plot import draw_growth
from tests.bench.processes import RunFailed, run
from tests.bench.report import Curve, ratio, table
from tests.bench.runs import Run, Runner, fewer_lights
from tests.bench.stages import Stage

TINY = Size(
    shape=(280, 360), lights=2, growth_shape=(280, 360), growth_lights=(2, 4), libraries_up_to=0,
    bias=3, darks=3, flats=3, listed=25, repeats=1, quick=True,
)  # fmt: skip
MIB = 1 / 1024


def test_the_three_programs_are_measured_side_by_side(tmp_path):
    part = night_part(tmp_path, Runner(tmp_path), TINY)
    assert list(part.figures) == ["bound", "stackbench", "libraries"]
    for figures in part.figures.values():
        assert sum(figures["stages"].values()) == pytest.approx(figures["seconds"])
        assert all(seconds >= 0 for seconds in figures["stages"].values())
        if sys.platform != "win32":
            assert figures["peak_gib"] > 10 * MIB
            assert figures["processor_s"] > 0
    assert part.figures["bound"]["seconds"] < part.figures["stackbench"]["seconds"]
    assert "4 lights of 2 filters, 12 calibration frames" in part.lines[0]
    assert {path.name for path in tmp_path.iterdir() if path.is_dir()} == {
        path.name.removesuffix(".truth.json") for path in tmp_path.glob("*.truth.json")
    }, "products were left behind"


def test_the_bound_averages_the_frames(tmp_path):
    night = bench_night(tmp_path, bench_plan(shape=(80, 100), lights=3, filters=("L",), flats=1))
    paths = sorted((night / "lights" / "L").iterdir())
    with ThreadPoolExecutor(2) as pool:
        mean = mean_of(paths, pool)
    frames = np.stack([fits.getdata(path).astype(np.float64) for path in paths])
    np.testing.assert_allclose(mean, frames.mean(axis=0), rtol=1e-6)


def test_fewer_lights_come_evenly_from_the_whole_night(tmp_path):
    night = bench_night(tmp_path, bench_plan(shape=(80, 100), lights=6, filters=("L",), bias=2))
    part = fewer_lights(night, 3)
    every = sorted(path.name for path in (night / "lights").rglob("*.fits"))
    assert sorted(path.name for path in (part / "lights").rglob("*.fits")) == every[::2]
    assert len(list((part / "calibration" / "bias").iterdir())) == 2
    assert fewer_lights(night, 3) == part
    with pytest.raises(ValueError, match="7 of 6 lights"):
        fewer_lights(night, 7)


def test_a_process_is_measured_by_itself():
    if sys.platform == "win32":
        pytest.skip("the system does not tell")
    large = run(["-c", "b = bytearray(300 << 20); print(len(b))"])
    small = run(["-c", "import time; time.sleep(0.3)"])
    assert large.peak_gib > 300 * MIB
    assert small.peak_gib < large.peak_gib - 100 * MIB
    assert small.seconds > 0.3 > small.processor_s
    assert large.printed.strip() == str(300 << 20)


def test_a_program_that_fails_ends_the_benchmark():
    with pytest.raises(RunFailed, match=r"(?s)ended with 3:.*no night"):
        run(["-c", "import sys; print('no night'); sys.exit(3)"])


def test_stages_add_up_to_the_whole():
    cost = run(["-c", ""])
    first = cost.began + 0.25 * cost.seconds
    stages = [
        Stage(name=name, began=first + k, ended=first + k + 0.5, processor_s=0.1)
        for k, name in enumerate(("read", "work", "read"))
    ]
    by_stage = Run(program="bound", cost=cost, stages=tuple(stages)).by_stage()
    assert by_stage["read"] == pytest.approx(1.0)
    assert sum(by_stage.values()) == pytest.approx(cost.seconds)
    assert list(by_stage) == ["start", "read", "work", "rest"]


def test_tables_and_ratios_read_well():
    assert table(("a", "time, s"), [("first", "1.5")]) == [
        "| a     | time, s |",
        "| ----- | ------: |",
        "| first |     1.5 |",
    ]
    assert [ratio(3, 2), ratio(42, 2), ratio(None, 2), ratio(1, 0)] == ["1.5×", "21×", "–", "–"]


def test_the_picture_is_drawn_without_memory_figures_too(tmp_path):
    curves = [
        Curve(program="stackbench", lights=[2, 4], seconds=[1.0, 2.0], peak_gib=[0.5, 0.5]),
        Curve(program="libraries", lights=[2], seconds=[9.0], peak_gib=[None]),
    ]
    path = tmp_path / "lights.png"
    draw_growth(path, curves, title="Number of lights")
    assert path.read_bytes().startswith(b"\x89PNG")
