"""Cosmic rays looked for in the single subs of a small stack."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from stackbench.job.settings import CalibrationOptions, Settings
from tests.support.jobs import lights, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    plan = plan_small_night(filters=("L",), lights=2, flip=False)
    plan = replace(plan, camera=replace(plan.camera, cosmics_per_mpx_s=6.0))
    return folder, simulate_night(folder, rng=np.random.default_rng(5), night=plan)


def test_hits_of_two_subs_stay_out_of_their_stack(night, tmp_path):
    folder, truth = night
    few = Settings(calibration=CalibrationOptions(cosmic_rays="few"))
    plain = run_night(folder, out=tmp_path)
    cleaned = run_night(folder, out=tmp_path, settings=few)
    hit = [truth.light_at(Path(path)).cosmic_pixels for path in cleaned["stacks"][0]["frames"]]
    counts = [sub["cosmic_pixels"] for sub in lights(cleaned).values()]
    for found, pixels in zip(counts, hit, strict=True):
        assert 0.6 * len(pixels) < found < 1.5 * len(pixels)
    assert cleaned["stacks"][0]["cosmic_pixels"] == sum(counts)
    assert plain["stacks"][0]["cosmic_pixels"] is None
    assert all(sub["cosmic_pixels"] is None for sub in lights(plain).values())
    assert cleaned["stacks"][0]["sha256"] != plain["stacks"][0]["sha256"]
    coverage = fits.getdata(tmp_path / cleaned["stacks"][0]["path"], "COVERAGE")
    assert (coverage[5:-5, 5:-5] > 0).mean() > 0.999
    # what was found is found again without a search
    again = run_night(folder, out=tmp_path, settings=few)
    assert again["stacks"][0]["sha256"] == cleaned["stacks"][0]["sha256"]


@pytest.mark.parametrize(
    ("asked", "subs", "looked_for"),
    [("off", 1, False), ("few", 4, True), ("few", 5, False), ("all", 30, True)],
)
def test_which_subs_are_searched(asked, subs, looked_for):
    assert CalibrationOptions(cosmic_rays=asked).cleans(subs) is looked_for
