"""Nights whose files are compressed, or turned between two nights, give the same stacks."""

import gzip
import subprocess
import sys
import threading
from collections import Counter

import numpy as np
import pytest
from astropy.io import fits

from stackbench.frames.records import Kind
from stackbench.job import pixels
from tests.support.jobs import lights, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

SMALL = {"filters": ("L",), "lights": 5, "flats": 4, "bias": 4, "darks": 4}


def stacked(folder, out):
    record = run_night(folder, out=out)
    assert record["problems"] == []
    (stack,) = record["stacks"]
    assert not (out / ".scratch").exists()
    return record, fits.getdata(out / stack["path"])


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    night, out = tmp_path_factory.mktemp("plain"), tmp_path_factory.mktemp("out")
    simulate_night(night, rng=np.random.default_rng(5), night=plan_small_night(**SMALL))
    return stacked(night, out)


@pytest.mark.parametrize("suffix", [".gz", ".bz2", ".fz"])
def test_packed_files_give_the_same_pixels(plain, tmp_path, suffix):
    plan = plan_small_night(**SMALL, suffixes=(suffix,))
    simulate_night(tmp_path / "night", rng=np.random.default_rng(5), night=plan)
    _, image = stacked(tmp_path / "night", tmp_path / "out")
    np.testing.assert_array_equal(image, plain[1])


def test_files_beside_their_packed_copies_count_once(plain, tmp_path):
    """Also when the copies lie in another folder; a plain file is preferred to a packed one."""
    night = tmp_path / "night"
    simulate_night(night, rng=np.random.default_rng(5), night=plan_small_night(**SMALL))
    originals = sorted(night.rglob("*.fits"))
    aside = night / "aside"
    aside.mkdir()
    for path in originals[::2]:
        (aside / f"{path.name}.gz").write_bytes(gzip.compress(path.read_bytes(), mtime=0))
    for path in originals[1::2]:
        with fits.open(path) as hdus:
            tiles = fits.CompImageHDU(hdus[0].data, hdus[0].header, compression_type="RICE_1")
        tiles.writeto(path.with_name(f"{path.name}.fz"))
    record = run_night(night, out=tmp_path / "out")
    assert {frame["path"].rpartition(".")[2] for frame in record["frames"]} == {"fits"}
    assert sum(problem["what"].startswith("Copies") for problem in record["problems"]) >= 2
    (stack,) = record["stacks"]
    np.testing.assert_array_equal(fits.getdata(tmp_path / "out" / stack["path"]), plain[1])


def test_packed_files_are_unpacked_once_in_threads_and_few_at_a_time(tmp_path, monkeypatch):
    """Calibration frames go once their master is made, but for pairs of biases and flats."""
    plan = plan_small_night(**{**SMALL, "bias": 8, "darks": 6}, suffixes=(".gz",))
    simulate_night(tmp_path / "night", rng=np.random.default_rng(5), night=plan)
    together = threading.Barrier(2, timeout=20)  # broken unless two biases are unpacked at once
    unpacked, most = Counter(), 0
    unpack = pixels.decode_to_scratch

    def counted(frame, folder):
        nonlocal most
        unpacked[frame.path.name] += 1
        if frame.kind is Kind.BIAS:
            together.wait()
        result = unpack(frame, folder)
        most = max(most, len(list(folder.iterdir())))
        return result

    monkeypatch.setattr(pixels, "decode_to_scratch", counted)
    record, _ = stacked(tmp_path / "night", tmp_path / "out")
    assert record["masters"][0]["read_noise_e"] is not None  # told from the pairs, at the end
    assert unpacked == dict.fromkeys(unpacked, 1)
    assert len(unpacked) == len(record["frames"]) == 23
    assert most == 5 + 6 + 4  # lights, three pairs of biases, flats; no dark is left by then


# Stands still where lights were unpacked and one was measured.
_RUN_TO_BE_KILLED = """
import sys, time
from pathlib import Path
from stackbench.job.bench import open_bench
from stackbench.job.looking import look_through
from stackbench.job.progress import Progress, Step
from stackbench.job.run import run_job
from stackbench.job.settings import Settings

class StandStill(Progress):
    def advance(self, step, pieces=1):
        if step is Step.MEASURE:
            print("measured", flush=True)
            time.sleep(300)

with open_bench(Path(sys.argv[2]), settings=Settings(), progress=StandStill()) as bench:
    run_job(bench, look_through(bench, [Path(sys.argv[1])]))
"""


def test_the_run_after_a_killed_one_removes_its_scratch_and_gives_the_same(plain, tmp_path):
    plan = plan_small_night(**SMALL, suffixes=(".gz",))
    night, out = tmp_path / "night", tmp_path / "out"
    simulate_night(night, rng=np.random.default_rng(5), night=plan)
    arguments = [sys.executable, "-c", _RUN_TO_BE_KILLED, str(night), str(out)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "measured\n"
        process.kill()
    assert list((out / ".scratch").iterdir())
    _, image = stacked(night, out)
    np.testing.assert_array_equal(image, plain[1])
    assert {path.name for path in out.iterdir()} == {
        "channels", "frames.csv", "masters", "night.json", "report.html", "stacks",
        "stackbench.sqlite",
    }  # fmt: skip


def test_a_second_night_with_the_camera_turned_joins_the_same_stack(tmp_path):
    plan = plan_small_night(**SMALL, turned_night=True)
    truth = simulate_night(tmp_path / "night", rng=np.random.default_rng(6), night=plan)
    record = run_night(tmp_path / "night", out=tmp_path / "out")
    (stack,) = record["stacks"]
    assert len(stack["frames"]) == 10
    turns = []
    for sub in lights(record).values():
        matrix = np.array(sub["to_grid"])
        turns.append(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])) % 180)
    assert sum(abs(turn - 90) < 2 for turn in turns) == 5
    assert len(truth.plan.sessions) == 2
