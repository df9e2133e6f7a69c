"""What the system refuses, and names that no file may have: told of, nothing lost."""

import errno
import os
import shutil
import sqlite3
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from stackbench.cli.commands import app
from stackbench.export.files import WriteError
from stackbench.frames import checksums as sums
from stackbench.frames import scratch
from stackbench.job import finding
from stackbench.job.bench import WrongUseError, open_bench
from stackbench.job.settings import Settings
from stackbench.job.store import Store, StoreError
from tests.support.jobs import checksums, lights, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

SMALL = {"filters": ("L",), "lights": 5, "flats": 4, "bias": 4, "darks": 4}


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    simulate_night(folder, rng=np.random.default_rng(21), night=plan_small_night(**SMALL))
    return folder


@pytest.fixture(scope="module")
def done(night, tmp_path_factory):
    """Give the output folder of a finished run."""
    out = tmp_path_factory.mktemp("done")
    run_night(night, out=out)
    return out


def refuse(*_arguments, **_options):
    raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def with_cards(path, **cards):
    """Overwrite cards of a file byte by byte, as a careless program writes them."""
    content = path.read_bytes()
    for key, value in cards.items():
        start = content.index(f"{key:<8}= ".encode())
        card = f"{key:<8}= '{value}'".encode().ljust(80)
        assert len(card) == 80
        content = content[:start] + card + content[start + 80 :]
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("target", "filter_name"),
    [
        ("../../x", "M 51/α?"),
        ("CON", ".."),
        ("/etc/x:*|", "L<1>\\2"),
        ('<script>alert(1)</script> & "q" ' + "x" * 36, "<img src=x onerror=alert(1)>"),
    ],
)
def test_hostile_names_of_a_good_night_stay_inside_the_output_folder(
    night, tmp_path, target, filter_name
):
    copy = tmp_path / "deep" / "er" / "night"
    shutil.copytree(night, copy)
    for path in copy.rglob("*.fit*"):
        kind = fits.getheader(path).get("IMAGETYP", "")
        if kind == "Light Frame":
            with_cards(path, OBJECT=target, FILTER=filter_name)
        elif kind == "Flat Field":
            with_cards(path, FILTER=filter_name)
    before = checksums(copy)
    out = tmp_path / "deep" / "er" / "out"
    record = run_night(copy, out=out)
    (stack,) = record["stacks"]
    assert (stack["target"], stack["filter"], len(stack["frames"])) == (target, filter_name, 5)
    assert sum(m["kind"] == "flat" for m in record["masters"]) == 1
    assert checksums(copy) == before
    found = [path.relative_to(tmp_path).parts for path in tmp_path.rglob("*") if path.is_file()]
    assert {parts[:3] for parts in found} == {("deep", "er", "night"), ("deep", "er", "out")}
    products = [stack["path"], *stack["channel"].values()]
    assert all((out / name).resolve().is_relative_to(out) for name in products)
    for name in products:
        assert (out / name).is_file()
        assert not set(Path(name).name) & set('<>:"\\|?*')
    report = (out / "report.html").read_text(encoding="utf-8")
    assert target in unescape(report)
    assert filter_name in unescape(report)
    assert "<script" not in report
    assert "<img src=x" not in report


def test_an_output_folder_that_may_not_be_written_is_refused(night, tmp_path, monkeypatch):
    # As an ordinary user meets it; the tests may run as one who may write anywhere.
    monkeypatch.setattr("stackbench.job.bench.tempfile.TemporaryFile", refuse)
    with (
        pytest.raises(WrongUseError, match=r"cannot be written .*Permission denied"),
        open_bench(tmp_path / "out", settings=Settings()),
    ):
        pass
    result = CliRunner().invoke(app, ["run", str(night), "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert "another one" in result.output
    assert "--out" in result.output


def test_an_output_folder_that_may_not_be_made_is_refused(night, tmp_path, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(Path, "mkdir", refuse)
        result = CliRunner().invoke(app, ["run", str(night), "--out", str(tmp_path / "new")])
    assert result.exit_code == 2
    assert "cannot be written" in result.output


@pytest.mark.parametrize("folder", ["masters", "stacks", "channels"])
def test_a_file_where_a_folder_of_products_should_be_is_told(night, done, tmp_path, folder):
    out = tmp_path / "out"
    shutil.copytree(done, out)
    shutil.rmtree(out / folder)
    (out / folder).write_text("mine")
    result = CliRunner().invoke(app, ["run", str(night), "--out", str(out)])
    assert result.exit_code == 2
    assert "a file stands where a folder is needed" in result.output.replace("\n", " ")
    assert (out / folder).read_text() == "mine"


def test_a_full_disk_leaves_the_old_products_and_the_next_run_goes_on(
    night, done, tmp_path, monkeypatch
):
    out = tmp_path / "out"
    shutil.copytree(done, out)
    name = next(name for name in lights(run_night(night, out=out)))
    before = checksums(out / "stacks")

    def full(_handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(WriteError, match="the disk is full"):
            run_night(night, out=out, reject=[name])
    assert checksums(out / "stacks") == before
    assert not [path for path in out.rglob(".*") if path.is_file()]
    record = run_night(night, out=out)
    assert len(record["stacks"][0]["frames"]) == 4


def test_a_scratch_folder_that_cannot_be_written_is_told(tmp_path, monkeypatch):
    night = tmp_path / "night"
    plan = plan_small_night(**SMALL, suffixes=(".gz",))
    simulate_night(night, rng=np.random.default_rng(22), night=plan)

    def full(*_arguments, **_options):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(scratch.tempfile, "mkstemp", full)
    with pytest.raises(WriteError, match="the disk is full") as told:
        run_night(night, out=tmp_path / "out")
    assert told.value.path.name == ".scratch"
    assert "free some space" in told.value.remedy


def test_a_file_that_fails_while_it_is_read_is_a_problem(night, tmp_path, monkeypatch):
    bad = sorted(night.rglob("*.fit*"))[0]

    def failing(path):
        if path == bad:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return sums.file_sha256(path)

    monkeypatch.setattr(finding, "file_sha256", failing)
    record = run_night(night, out=tmp_path / "out")
    (told,) = [p for p in record["problems"] if p["path"] == bad.as_posix()]
    assert told["what"] == "The file cannot be read"
    assert os.strerror(errno.EIO) in told["why"]
    assert not any(f["path"] == bad.as_posix() for f in record["frames"])
    assert len(record["stacks"]) == 1


def test_a_light_that_went_away_after_the_scan_is_a_problem(night, tmp_path, monkeypatch):
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    whole = finding.find_frames

    def found_and_lost(bench, folders, **options):
        found = whole(bench, folders, **options)
        next(f.path for f in found.frames if f.kind == "light").unlink()
        return found

    monkeypatch.setattr("stackbench.job.looking.find_frames", found_and_lost)
    record = run_night(copy, out=tmp_path / "out")
    (lost,) = [f for f in lights(record).values() if not Path(f["path"]).exists()]
    assert lost["verdict"] == "reject"
    assert any("measuring failed" in reason for reason in lost["reasons"])
    assert any(p["path"] == lost["path"] for p in record["problems"])
    assert len(record["stacks"][0]["frames"]) == 4


def test_a_store_that_cannot_be_written_is_told(tmp_path):
    store = Store(tmp_path / "x.sqlite")
    store.decide({"0" * 64: None}, names={"0" * 64: "a.fits"})
    store._db.close()
    store._db = sqlite3.connect(f"file:{tmp_path / 'x.sqlite'}?mode=ro", uri=True)
    with pytest.raises(StoreError, match=r"cannot be written .*free some space"):
        store.keep("stage", "key", {})
    store._db.close()


def test_a_sub_without_any_noise_is_refused_in_words(night, tmp_path):
    # A mask or a drawing: stars on a sky of one value.
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    for other in copy.rglob("*.fit*"):
        if fits.getheader(other)["IMAGETYP"] != "Light Frame":
            other.unlink()  # calibration would give it the masters' noise
    path = min(copy.rglob("*.fit*"))
    image, header = fits.getdata(path, header=True)
    y, x = np.indices(image.shape)
    image[:] = 0
    for cx, cy in np.random.default_rng(3).uniform(30, 210, (9, 2)):
        image += np.uint16(np.round(9000 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 2)))
    fits.writeto(path, image, header, overwrite=True)
    record = run_night(copy, out=tmp_path / "out")
    drawn = lights(record)[path.name]
    assert drawn["verdict"] == "reject"
    assert any("no noise at all" in reason for reason in drawn["reasons"])
    assert drawn["to_grid"] is None
    assert len(record["stacks"][0]["frames"]) == 4
    kept = run_night(copy, out=tmp_path / "out", keep=[path.name])
    (told,) = [p for p in kept["problems"] if p["path"] == drawn["path"]]
    assert "kept by hand but cannot be stacked" in told["what"]
