"""What a second run does again, and what not."""

import os
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stackbench.calibration import masters
from stackbench.frames.checksums import file_sha256
from stackbench.frames.work import Cancelled
from stackbench.job import finding, mastermaking, stackmaking
from stackbench.job.bench import open_bench
from stackbench.job.looking import look_through
from stackbench.job.progress import Progress, Step
from stackbench.job.run import run_job
from stackbench.job.settings import Settings
from stackbench.job.store import Store
from stackbench.rejection.methods import Method, Rejection
from stackbench.stars import quality
from tests.support.jobs import checksums, lights, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Give a small night and what a first run left of it."""
    night, out = tmp_path_factory.mktemp("night"), tmp_path_factory.mktemp("out")
    simulate_night(night, rng=np.random.default_rng(3), night=plan_small_night(lights=5))
    record = run_night(night, out=out)
    return night, out, record


@pytest.fixture
def work(first, tmp_path, monkeypatch):
    """Give copies of night and output, and a count of the work that is done on them."""
    night, out = tmp_path / "night", tmp_path / "out"
    shutil.copytree(first[0], night, copy_function=shutil.copy2)
    shutil.copytree(first[1], out, copy_function=shutil.copy2)
    # the copied night has other paths: let the store learn them, no pixel is read
    run_night(night, out=out)
    done = {"masters": 0, "measured": 0, "stacked": 0}

    def counting(module, name, what):
        function = getattr(module, name)

        def counted(*args, **kwargs):
            done[what] += 1
            return function(*args, **kwargs)

        monkeypatch.setattr(module, name, counted)

    for name in ("make_level", "make_flat"):
        counting(mastermaking, name, "masters")
    counting(quality, "measure_frame", "measured")
    counting(stackmaking, "stack_subs", "stacked")
    assert masters.make_level is not mastermaking.make_level
    return night, out, done


def same(one, other):
    """Compare two records but for the time of writing and the place of the night."""
    names = ("verdict", "reasons", "fwhm_px", "transparency", "to_grid", "weight", "sha256")
    return [[f[n] for n in names] for f in one["frames"]] == [
        [f[n] for n in names] for f in other["frames"]
    ]


def test_a_second_run_touches_no_pixel_and_says_the_same(first, work):
    night, out, done = work
    before = {n: s for n, s in checksums(out).items() if n.endswith((".fits", ".tif", ".png"))}
    record = run_night(night, out=out)
    assert done == {"masters": 0, "measured": 0, "stacked": 0}
    assert same(record, first[2])
    after = {n: s for n, s in checksums(out).items() if n.endswith((".fits", ".tif", ".png"))}
    assert after == before
    for product in (*record["masters"], *record["stacks"]):
        assert product["sha256"] == file_sha256(out / product["path"])


def test_masters_whose_frames_levels_were_not_kept_are_used_again(first, work):
    night, out, done = work
    with Store(out / "stackbench.sqlite") as store:
        for key, record in store.recall_all("master"):
            del record["facts"]["frame_levels_adu"]
            store.keep("master", key, record)
    assert same(run_night(night, out=out), first[2])
    assert done == {"masters": 0, "measured": 0, "stacked": 0}


def test_the_record_counts_the_bad_pixels_that_dark_and_flats_mark(first):
    counts = {m["kind"]: m["bad_pixels"] for m in first[2]["masters"]}
    assert counts["bias"] is None  # it marks none
    assert all(counts[kind] > 0 for kind in ("dark", "flat"))


def test_a_decision_by_hand_restacks_only_its_filter_and_is_remembered(first, work):
    night, out, done = work
    name = next(n for n, f in lights(first[2]).items() if f["filter"] == "R")
    record = run_night(night, out=out, reject=[name])
    assert done == {"masters": 0, "measured": 0, "stacked": 1}
    assert lights(record)[name]["verdict"] == "reject"
    assert lights(record)[name]["by"] == "hand"
    again = run_night(night, out=out)
    assert done["stacked"] == 1
    assert lights(again)[name]["by"] == "hand"
    stacks = {s["filter"]: s for s in again["stacks"]}
    assert len(stacks["R"]["frames"]) == 4
    assert len(stacks["L"]["frames"]) == 5
    back = run_night(night, out=out, release=[name])
    assert lights(back)[name]["by"] == "rule"
    assert same(back, first[2])


def test_products_of_a_filter_that_is_stacked_no_more_are_told_of_and_left(first, work):
    night, out, _ = work
    assert not [p for p in first[2]["problems"] if "earlier job" in p["what"]]
    names = [n for n, f in lights(first[2]).items() if f["filter"] == "R"]
    record = run_night(night, out=out, reject=names)
    (told,) = [p for p in record["problems"] if "earlier job" in p["what"]]
    old = [p for p in (out / "channels").iterdir() if "_R" in p.name]
    assert len(old) == 3
    assert all(f"channels/{path.name}" in told["why"] for path in old)
    assert "_L" not in told["why"]


def test_a_sub_kept_by_hand_stays_kept_against_the_rules(work):
    night, out, _ = work
    strict = Settings(review=replace(Settings().review, fwhm_max_px=0.5))
    record = run_night(night, out=out, settings=strict)
    assert record["stacks"] == []
    assert any("nothing was stacked" in p["what"] for p in record["problems"])
    name = next(iter(lights(record)))
    record = run_night(night, out=out, settings=strict, keep=[name])
    kept = lights(record)[name]
    assert (kept["verdict"], kept["by"]) == ("keep", "hand")
    assert any("FWHM" in reason for reason in kept["reasons"])
    assert len(record["stacks"]) == 1


def test_a_changed_sub_is_measured_again_and_only_its_filter_stacked(first, work):
    night, out, done = work
    name, entry = next((n, f) for n, f in lights(first[2]).items() if not f["is_reference"])
    path = next(night.rglob(name))
    raw = bytearray(path.read_bytes())
    raw[-2880 - 100] ^= 1  # the lowest bits of one pixel
    path.write_bytes(bytes(raw))
    record = run_night(night, out=out)
    assert done["masters"] == 0
    assert done["measured"] == 1
    assert done["stacked"] == 1
    assert lights(record)[name]["sha256"] != entry["sha256"]


def test_a_touched_file_with_the_same_bytes_costs_a_checksum_only(work):
    night, out, done = work
    for path in night.rglob("*.fits"):
        os.utime(path, ns=(time.time_ns(), time.time_ns()))
    run_night(night, out=out)
    assert done == {"masters": 0, "measured": 0, "stacked": 0}


def test_a_changed_flat_redoes_its_master_and_what_it_serves(first, work):
    night, out, done = work
    # all depends on the reference: change a flat of the other filter
    reference = next(f for f in lights(first[2]).values() if f["is_reference"])
    other = {"L": "R", "R": "L"}[reference["filter"]]
    flats = [f for f in first[2]["frames"] if (f["kind"], f["filter"]) == ("flat", other)]
    next(night.rglob(Path(flats[0]["path"]).name)).unlink()
    run_night(night, out=out)
    assert done == {"masters": 1, "measured": 5, "stacked": 1}


def test_a_changed_setting_redoes_just_what_depends_on_it(work):
    night, out, done = work
    run_night(night, out=out, settings=Settings(stacking=Rejection(method=Method.MEDIAN)))
    assert done == {"masters": 0, "measured": 0, "stacked": 2}


def test_a_product_that_was_damaged_or_removed_is_made_again(work):
    night, out, done = work
    next((out / "masters").glob("bias*")).write_bytes(b"damaged")
    next((out / "stacks").glob("*_L.fits")).unlink()
    run_night(night, out=out)
    # the master comes out the same, so nothing that depends on it is redone
    assert done == {"masters": 1, "measured": 0, "stacked": 1}


class StopAt(Progress):
    """Asks to stop once a step has begun."""

    def __init__(self, step):
        self.step, self.begun = step, False

    def begin(self, step, total):
        self.begun = self.begun or (step is self.step and total > 0)


@pytest.mark.parametrize("step", [Step.CHECK, Step.MEASURE, Step.STACK])
def test_a_stopped_job_leaves_whole_products_and_goes_on_from_there(first, tmp_path, step):
    night, _, record = first
    stop = StopAt(step)
    with (
        pytest.raises(Cancelled),
        open_bench(
            tmp_path, settings=Settings(), progress=stop, stop=lambda: stop.begun, threads=2
        ) as bench,
    ):
        run_job(bench, look_through(bench, [night]))
    left = {p.name for p in tmp_path.iterdir()}
    assert not any("tmp" in name or "scratch" in name or "lock" in name for name in left)
    assert same(run_night(night, out=tmp_path), record)


class StopAfter(Progress):
    """Asks to stop when a step has done some of its pieces."""

    def __init__(self, step, pieces):
        self.step, self.left = step, pieces

    def advance(self, step, pieces=1):
        if step is self.step:
            self.left -= pieces


def stop_after(night, out, step, pieces):
    """Run a job that is stopped within a step."""
    progress = StopAfter(step, pieces)
    with (
        pytest.raises(Cancelled),
        open_bench(
            out, settings=Settings(), progress=progress, stop=lambda: progress.left <= 0, threads=2
        ) as bench,
    ):
        run_job(bench, look_through(bench, [night]))


def test_what_was_measured_before_a_stop_is_not_measured_again(first, work, tmp_path):
    night, _, done = work
    stop_after(night, tmp_path / "new", Step.MEASURE, 3)
    before = done["measured"]
    assert 3 <= before < 10
    record = run_night(night, out=tmp_path / "new")
    assert done["measured"] == 10
    assert same(record, first[2])


def test_checksums_taken_before_a_stop_are_not_taken_again(first, tmp_path, monkeypatch):
    taken = []

    def counted(path):
        taken.append(path)
        return file_sha256(path)

    monkeypatch.setattr(finding, "file_sha256", counted)
    night, _, record = first
    stop_after(night, tmp_path, Step.CHECK, 4)
    assert 4 <= len(taken) < len(record["frames"])
    run_night(night, out=tmp_path)
    assert len(taken) == len(set(taken)) == len(record["frames"])


def test_a_copy_of_a_sub_is_not_stacked_twice(first, work):
    night, out, done = work
    name = next(iter(lights(first[2])))
    (night / "copies").mkdir()
    shutil.copy(next(night.rglob(name)), night / "copies" / f"again_{name}")
    record = run_night(night, out=out)
    assert done == {"masters": 0, "measured": 0, "stacked": 0}
    assert len(lights(record)) == len(lights(first[2]))
    assert run_night(night, out=out)["problems"] == record["problems"]
    (problem,) = [p for p in record["problems"] if "Copies" in p["what"]]
    taken = Path(night.name, "copies", f"again_{name}")
    left_out = Path(night.name, next(night.rglob(name)).relative_to(night))
    assert problem["why"] == f"there is the same in {left_out} as in {taken}, which is taken."


def test_a_moved_night_is_named_where_it_lies(first, work):
    night, out, done = work
    moved = night.rename(night.with_name("elsewhere"))
    record = run_night(moved, out=out)
    assert done == {"masters": 0, "measured": 0, "stacked": 0}
    for name in ("masters", "stacks"):
        for product in record[name]:
            assert all(Path(path).is_relative_to(moved) for path in product["frames"])
    numbers = ("gain_e_per_adu", "read_noise_e", "kind")
    assert [[m[n] for n in numbers] for m in record["masters"]] == [
        [m[n] for n in numbers] for m in first[2]["masters"]
    ]
    bias = next(m for m in record["masters"] if m["kind"] == "bias")
    assert bias["read_noise_e"] is not None


def test_one_and_two_threads_give_the_same_bytes(first, tmp_path):
    night, out, _ = first
    run_night(night, out=tmp_path, threads=1)
    for product in sorted(out.glob("channels/*.tif")):
        assert (tmp_path / "channels" / product.name).read_bytes() == product.read_bytes()


def test_the_store_survives_being_opened_twice(tmp_path):
    with Store(tmp_path / "s.sqlite") as store:
        store.keep("stage", "key", {"value": 1.5}, b"bytes")
    with Store(tmp_path / "s.sqlite") as store:
        assert store.recall("stage", "key") == ({"value": 1.5}, b"bytes")
        assert store.recall("stage", "other") is None
