"""Nights whose files are compressed, or turned between two nights, give the same stacks."""

import numpy as np
import pytest
from astropy.io import fits

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
