"""A night without calibration frames takes those of the library, at the command line."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from stackbench.cli.commands import app
from stackbench.job.library import Library
from stackbench.job.session import Session
from stackbench.job.settings import Settings
from stackbench.rejection.methods import Method
from tests.support.jobs import checksums
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night


def call(*arguments, **answers):
    return CliRunner().invoke(app, [str(argument) for argument in arguments], **answers)


def channel(out):
    (path,) = (out / "channels").glob("*.fits")
    return fits.getdata(path)


def record(out):
    return json.loads((out / "night.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Run a night with all its calibration frames."""
    folder = tmp_path_factory.mktemp("nights")
    plan = plan_small_night(filters=("L",), lights=5, flats=4, bias=4, darks=4)
    simulate_night(folder / "first", rng=np.random.default_rng(2), night=plan)
    ran = call("run", folder / "first", "--out", folder / "out", "--without-library")
    assert ran.exit_code == 0, ran.output
    lights = folder / "lights"
    lights.mkdir()
    for one in record(folder / "out")["frames"]:
        if one["kind"] == "light":
            shutil.copy(one["path"], lights)
    return folder


@pytest.fixture
def kept(first, tmp_path):
    """A library with the first night's masters."""
    library = tmp_path / "kept"
    added = call("library", "add", first / "out", "--library", library)
    assert added.exit_code == 0, added.output
    assert "3 added, 0 there already" in added.output
    return library


def test_lights_alone_are_calibrated_as_on_their_own_night(first, kept, tmp_path):
    before = checksums(kept)
    seen = call("inspect", first / "lights", "--library", kept)
    assert "from the library" in seen.output
    assert "Nothing is missing." in seen.output
    out = tmp_path / "out"
    ran = call("run", first / "lights", "--out", out, "--library", kept)
    assert ran.exit_code == 0, ran.output
    np.testing.assert_array_equal(channel(out), channel(first / "out"))
    masters = record(out)["masters"]
    assert f"{len(masters)} masters of the library used" in ran.output
    flat = next(one for one in masters if one["kind"] == "flat")
    assert f"\n  flat {flat['filter']}, of the night of {flat['night']}\n" in ran.output
    assert all(one["from_library"] for one in masters)
    assert {Path(one["path"]).parent for one in masters} == {kept}
    assert all("kept in the master library from an earlier night" in m["notes"] for m in masters)
    assert checksums(kept) == before
    assert not list(out.glob("masters/*.fits"))


def test_a_damaged_master_is_not_used_and_named(first, kept, tmp_path):
    dark = next(one for one in Library(kept).masters() if one.facts.kind == "dark")
    with dark.path.open("r+b") as file:
        file.seek(5000)
        file.write(b"damaged")
    checked = call("library", "check", "--library", kept)
    assert checked.exit_code == 1
    assert "damaged" in checked.output
    assert "3 checked, 1 damaged or missing" in checked.output
    out = tmp_path / "out"
    ran = call("run", first / "lights", "--out", out, "--library", kept)
    assert ran.exit_code == 0, ran.output
    told = record(out)["problems"]
    assert any(Path(one["path"] or "").name == dark.path.name for one in told)
    assert any("no dark serves them" in one["what"] for one in told)
    assert not any(Path(one["path"]) == dark.path for one in record(out)["masters"])


def test_list_tells_age_and_remove_asks_first(first, kept):
    listed = call("library", "list", "--library", kept)
    assert "dark, " in listed.output
    assert "days old" in listed.output
    again = call("library", "add", first / "out", "--library", kept)
    assert "0 added, 3 there already" in again.output
    refused = call("library", "remove", "1", "--library", kept, input="n\n")
    assert "Nothing was removed." in refused.output
    assert len(Library(kept).masters()) == 3
    removed = call("library", "remove", "1", "--library", kept, input="y\n")
    assert "1 removed" in removed.output
    assert [one.number for one in Library(kept).masters()] == [2, 3]


def test_wrong_use_is_said_plainly(kept, tmp_path):
    nowhere = call("library", "add", tmp_path / "nothing", "--library", kept)
    assert nowhere.exit_code == 2
    assert "no stackbench job was done in this folder" in nowhere.output
    strange = call("library", "remove", "99", "--yes", "--library", kept)
    assert strange.exit_code == 2
    assert "no master 99" in strange.output


def test_masters_that_a_job_gave_up_are_not_kept(tmp_path):
    plan = plan_small_night(filters=("L",), lights=3, flats=2, bias=3, darks=3)
    simulate_night(tmp_path / "night", rng=np.random.default_rng(3), night=plan)
    night, out = tmp_path / "night", tmp_path / "out"
    wrong = call("run", night, "--out", out, "--without-library", "--set-kind", "bias_*.fits=dark")
    assert wrong.exit_code == 0, wrong.output
    right = call("run", night, "--out", out, "--without-library", "--unset", "bias_*.fits")
    assert right.exit_code == 0, right.output
    added = call("library", "add", out, "--library", tmp_path / "kept")
    assert "3 added" in added.output
    kinds = sorted(str(one.facts.kind) for one in Library(tmp_path / "kept").masters())
    assert kinds == ["bias", "dark", "flat"]


def test_inspect_and_camera_work_by_the_settings_of_the_window(tmp_path):
    plan = plan_small_night(filters=("L",), lights=3, flats=2, bias=3, darks=3)
    simulate_night(tmp_path / "night", rng=np.random.default_rng(3), night=plan)
    night, out = tmp_path / "night", tmp_path / "out"
    default = Settings()
    made = default.model_copy(update={"masters": replace(default.masters, method=Method.MEDIAN)})
    with Session(out, [night], threads=2) as session:
        session.set_settings(made)
        session.run()
    before = checksums(out / "masters")
    seen = call("inspect", night, "--out", out, "--without-library")
    assert "Settings that were made in the window hold (masters)" in seen.output
    studied = call("camera", night, "--out", out)
    assert studied.exit_code == 0, studied.output
    assert checksums(out / "masters") == before
    (tmp_path / "mine.toml").write_text('[masters]\nmethod = "auto"\n', encoding="utf-8")
    said = call("inspect", night, "--out", out, "--settings", tmp_path / "mine.toml")
    assert "made in the window" not in said.output
