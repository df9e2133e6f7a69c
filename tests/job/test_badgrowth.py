"""New hot pixels of a night's dark against the last one of the library."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from stackbench.calibration.records import (
    CalibrationSet,
    Defect,
    DefectCounts,
    MasterFacts,
    StoredMaster,
    facts_of,
)
from stackbench.export.fits import read_image
from stackbench.frames.records import Kind
from stackbench.job.badgrowth import HotGrowth, bad_pixel_words, hot_growth
from stackbench.job.bench import open_bench
from stackbench.job.library import Library
from stackbench.job.mastermaking import read_defects
from stackbench.job.settings import Settings
from stackbench.job.shelf import FinishedMaster, on_disk
from tests.support.calibration import setup_of
from tests.support.jobs import run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

SHAPE = (40, 50)


def _dark(night, **facts):
    known = {
        "kind": Kind.DARK,
        "setup": setup_of(SHAPE),
        "exposure_s": 300.0,
        "temperature_c": -10.0,
        "night": night,
        "paths": (),
        "method": "mean",
        "rejected_pixels": 0,
        "level_adu": 500.0,
    }
    return MasterFacts(**(known | facts))


def _written(path, night, hot, **facts):
    """Write a dark's map of bad pixels as a master's file has it."""
    from stackbench.export.blocks import write_hdu

    rows = [[place, Defect.HOT] for place in hot] + [[900, Defect.UNSTABLE]]
    with path.open("w+b") as stream:
        write_hdu(stream, image=np.zeros(SHAPE, np.float32), cards=[])
        write_hdu(stream, image=np.array(rows, dtype=np.int32), cards=[], name="BADPIX")
    counts = DefectCounts(hot=len(hot), unstable=1)
    return _dark(night, **({"defects": counts} | facts))


@pytest.fixture
def bench(tmp_path):
    with open_bench(
        tmp_path / "out", settings=Settings(), library=Library(tmp_path / "library")
    ) as one:
        yield one


def _finished(key, path, facts):
    return FinishedMaster(key=key, path=path, facts=facts, written=on_disk("its checksum"))


def _growth(bench, tmp_path, hot=(3, 5, 7, 11)):
    path = tmp_path / "now.fits"
    facts = _written(path, date(2031, 5, 1), hot)
    one = CalibrationSet(kind=Kind.DARK, setup=facts.setup, frames=(), night=facts.night)
    return hot_growth(bench, one, _finished(f"now {hot}", path, facts))


def test_new_hot_pixels_since_the_last_dark_like_it(bench, tmp_path):
    assert _growth(bench, tmp_path) is None  # an empty library
    others = (
        ("older", date(2031, 1, 1), (), {}),
        ("last", date(2031, 2, 3), (3, 4, 7), {}),
        ("warmer", date(2031, 3, 1), (), {"temperature_c": 0.0}),
        ("longer", date(2031, 3, 1), (), {"exposure_s": 600.0}),
        ("later", date(2031, 6, 1), (), {}),
        ("without a map", date(2031, 4, 1), (), {"defects": None}),
    )
    for name, night, hot, facts in others:
        path = tmp_path / f"{name}.fits"
        bench.library.add(path, _written(path, night, hot, **facts), made_of=name)
    growth = _growth(bench, tmp_path)
    assert growth == HotGrowth(now=4, before=3, new=2, since=date(2031, 2, 3), warmer_c=0.0)
    assert _growth(bench, tmp_path) == growth  # recalled
    assert bad_pixel_words(DefectCounts(hot=4, unstable=1, column=64), growth) == (
        "bad pixels: 4 hot, 1 unstable, 64 in odd columns",
        "2 new hot pixels since 2031-02-03",
    )
    assert bad_pixel_words(DefectCounts(), None) == ("bad pixels: none",)
    assert bad_pixel_words(None, None) == ()


def test_a_damaged_map_of_the_library_is_not_compared_with(bench, tmp_path):
    path = tmp_path / "last.fits"
    facts = _written(path, date(2031, 2, 3), (3,))
    kept = bench.library.add(path, facts, made_of="last")
    kept.path.write_bytes(kept.path.read_bytes()[:3000])
    assert _growth(bench, tmp_path) is None


def test_a_stored_dark_is_not_compared_with_itself(bench, tmp_path):
    facts = _written(tmp_path / "a.fits", date(2031, 2, 3), (3,))
    stored = StoredMaster(path=tmp_path / "a.fits", sha256="", facts=facts)
    one = CalibrationSet(kind=Kind.DARK, setup=facts.setup, frames=(), stored=stored)
    finished = _finished("a", stored.path, facts)
    assert hot_growth(bench, one, finished) is None


def test_the_map_lies_in_the_masters_file_and_the_record(tmp_path):
    folder = tmp_path / "night"
    plan = plan_small_night(filters=("L",), lights=3, flip=False)
    plan = replace(plan, camera=replace(plan.camera, hot_fraction=2e-3))
    simulate_night(folder, rng=np.random.default_rng(8), night=plan)
    record = run_night(folder, out=tmp_path / "out")
    (dark,) = (one for one in record["masters"] if one["kind"] == "dark")
    bias, flat = (
        next(one for one in record["masters"] if one["kind"] == kind) for kind in ("bias", "flat")
    )
    assert dark["defects"]["hot"] > 20
    assert dark["bad_pixels"] == sum(dark["defects"].values())
    assert flat["defects"].keys() == dark["defects"].keys()
    assert bias["defects"] is None
    assert (dark["new_hot"], dark["new_hot_since"]) == (None, None)
    assert any(note.startswith("bad pixels: ") for note in dark["notes"])
    path = tmp_path / "out" / dark["path"]
    facts = replace(_dark(None), defects=DefectCounts(**dark["defects"]))
    found = read_defects(path, facts)
    assert found.of(Defect.HOT).size == dark["defects"]["hot"]
    image = read_image(path).image.reshape(-1)
    assert image[found.of(Defect.HOT)].min() > np.median(image)
    assert facts_of(facts) == facts
