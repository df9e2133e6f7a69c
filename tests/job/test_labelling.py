"""Kinds and filters set by hand, through whole runs."""

import shutil
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from stackbench.cli.commands import app
from stackbench.frames.labels import Label
from stackbench.frames.records import Kind
from stackbench.job.bench import WrongUseError
from stackbench.job.session import Session
from stackbench.job.store import Store
from stackbench.review.limits import Limits
from tests.support.jobs import run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """Give a night whose darks do not say what they are, and a run's output."""
    night, out = tmp_path_factory.mktemp("labels") / "night", tmp_path_factory.mktemp("out")
    plan = plan_small_night(lights=4, flats=3, bias=4, darks=4)
    simulate_night(night, rng=np.random.default_rng(3), night=plan)
    for path in [one for one in night.rglob("*.fits") if "dark" in one.name.lower()]:
        with fits.open(path, mode="update") as file:
            del file[0].header["IMAGETYP"]
        target = night / "found" / f"x{path.name[-8:]}"
        target.parent.mkdir(exist_ok=True)
        path.rename(target)
    run_night(night, out=out)
    return night, out


@pytest.fixture
def work(first, tmp_path):
    night, out = first
    shutil.copytree(out, tmp_path / "out", copy_function=shutil.copy2)
    return night, tmp_path / "out"


def frames_of(record, kind):
    return [frame for frame in record["frames"] if frame["kind"] == kind]


def whats(record):
    return [problem["what"] for problem in record["problems"]]


def test_unknown_frames_become_darks_by_hand_and_stay_so(work):
    night, out = work
    before = {path: path.read_bytes() for path in (night / "found").iterdir()}
    record = run_night(night, out=out, kinds=["found/x*.fits=dark"])
    darks = frames_of(record, "dark")
    assert len(darks) == 4
    assert darks[0]["by_hand"] == ["kind by hand: dark instead of unknown"]
    assert not frames_of(record, "unknown")
    assert not any("unknown what" in what or "no dark" in what for what in whats(record))
    assert [m["kind"] for m in record["masters"]].count("dark") == 1
    again = run_night(night, out=out)
    assert frames_of(again, "dark") == darks
    back = run_night(night, out=out, unset=["x*.fits"])
    assert len(frames_of(back, "unknown")) == 4
    assert any("unknown what" in what for what in whats(back))
    assert {path: path.read_bytes() for path in before} == before


def test_a_label_moves_with_the_file_and_one_name_may_mean_one_frame_only(work, tmp_path):
    night, out = work
    name = sorted((night / "found").iterdir())[0].name
    run_night(night, out=out, kinds=[f"{name}=dark"])
    other = tmp_path / "moved"
    shutil.copytree(night, other)
    (other / "found" / name).rename(other / "renamed.fits")
    record = run_night(other, out=out)
    assert [frame["path"] for frame in frames_of(record, "dark")] == [
        (other / "renamed.fits").as_posix()
    ]
    with Store(out / "stackbench.sqlite") as store:
        assert list(store.labels().values()) == [Label(kind=Kind.DARK)]


@pytest.mark.parametrize(
    ("kinds", "words"),
    [
        (["none.fits=dark"], "no frame of this name"),
        (["x*.fits=lamp"], "there is no kind 'lamp'; choose bias"),
        (["x*.fits"], "NAME=KIND"),
    ],
)
def test_a_label_for_nothing_is_refused(work, kinds, words):
    night, out = work
    with pytest.raises(WrongUseError, match=words.replace("*", r"\*")):
        run_night(night, out=out, kinds=kinds)
    with Store(out / "stackbench.sqlite") as store:
        assert store.labels() == {}


def test_a_filter_set_by_hand_names_stack_and_channel(work):
    night, out = work
    record = run_night(night, out=out, filters=["*_R_*.fits=Blue"])
    names = {stack["filter"]: stack for stack in record["stacks"]}
    assert sorted(names) == ["B", "L"]
    channel = out / names["B"]["channel"]["fits"]
    assert channel.name.endswith("_B.fits")
    assert fits.getheader(channel)["FILTER"] == "B"
    assert fits.getheader(out / names["B"]["path"])["FILTER"] == "B"


def test_a_light_of_no_exposure_can_be_made_a_bias(work, tmp_path):
    night, out = work
    other = tmp_path / "other"
    shutil.copytree(night, other)
    light = next(other.rglob("*_L_*.fits"))
    with fits.open(light, mode="update") as file:
        file[0].header["EXPTIME"] = file[0].header["EXPOSURE"] = 0.0
    record = run_night(other, out=out)
    assert any("0 seconds" in what for what in whats(record))
    record = run_night(other, out=out, kinds=[f"{light.name}=bias"])
    assert not any("0 seconds" in what for what in whats(record))
    assert len(frames_of(record, "bias")) == 5


def test_a_session_plans_anew_by_labels_and_takes_them_back(work):
    night, out = work
    with Session(out, [night], threads=2) as session:
        state = session.run()
        unknown = [frame.path for frame in state.frames if frame.kind is Kind.UNKNOWN]
        assert len(unknown) == 4
        assert session.labels() == {}
        state = session.label(dict.fromkeys(unknown, Label(kind=Kind.DARK)))
        assert state.replanned
        assert state.groups == ()
        assert all(one.dark is not None for g in state.overview.groups for one, _ in g.servings)
        assert set(state.stated) == set(unknown)
        state = session.run()
        assert not state.replanned
        assert len(state.stacks) == 2
        state = session.label(dict.fromkeys(unknown))
        assert state.stated == {}
        assert any("unknown what" in problem.what for problem in state.problems)


def call(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_inspect_and_later_runs_honour_what_was_set_at_the_command_line(work):
    night, out = work
    assert "no dark serves them" in call("inspect", night, "--out", out).output
    done = call("run", night, "--out", out, "--set-kind", "x*.fits=dark")
    assert done.exit_code == 0, done.output
    told = call("inspect", night, "--out", out).output
    assert "4 dark" in told
    assert "no dark serves them" not in told
    refused = call("run", night, "--out", out, "--set-filter", "x*.fits=")
    assert refused.exit_code == 2
    assert "NAME=FILTER" in refused.output


def test_limits_moved_in_the_window_hold_at_the_command_line_until_forgotten(work):
    night, out = work
    with Session(out, [night], threads=2) as session:
        session.set_limits(replace(Limits(), fwhm_max_px=0.5))
    told = call("run", night, "--out", out)
    assert told.exit_code == 1, told.output
    assert "made in the window hold (review); --forget-settings" in told.output
    after = call("run", night, "--out", out, "--forget-settings")
    assert after.exit_code == 0, after.output
    assert "made in the window" not in after.output
    assert "made in the window" not in call("run", night, "--out", out).output
