"""Nights for benchmarks are made once and kept."""

import numpy as np
import pytest

from tests.bench.nights import bench_night, bench_plan, bench_truth


@pytest.mark.parametrize("turned", [False, True])
def test_a_bench_night_is_made_once(tmp_path, turned):
    plan = bench_plan(
        shape=(80, 100), lights=4, filters=("L",), bias=2, darks=1, flats=2, turned_night=turned
    )
    folder = bench_night(tmp_path, plan)
    frames = sorted(path for path in folder.rglob("*") if path.is_file())
    assert len(frames) == 4 + 2 + 1 + 2
    made = [path.stat().st_mtime_ns for path in frames]
    assert bench_night(tmp_path, plan) == folder
    assert [path.stat().st_mtime_ns for path in frames] == made
    rows = bench_truth(folder)
    assert {folder / row["path"] for row in rows} == {p for p in frames if "lights" in p.parts}
    turns = [abs(np.array(row["to_grid"])[1, 0]) > 0.5 for row in rows]
    assert sum(turns) == (2 if turned else 0)
    other = bench_night(tmp_path, plan, seed=2)
    assert other != folder
