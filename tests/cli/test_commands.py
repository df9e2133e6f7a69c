"""The command line as a person uses it, in a process of its own where that matters."""

import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from stackbench import __version__
from stackbench.cli.commands import app
from stackbench.job.history import default_history
from tests.support.make_sample import FOLDER
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night


def call(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    plan = plan_small_night(filters=("L",), lights=5, flats=4, bias=4, darks=4)
    simulate_night(folder, rng=np.random.default_rng(2), night=plan)
    return folder


def test_version_and_help_answer_without_heavy_imports():
    code = (
        "import sys; from stackbench.cli.commands import app\n"
        "try: app(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'numba', 'astropy', 'scipy', 'pydantic', 'PySide6'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "inspect" in done.stdout
    assert __version__ in call("--version").output


def test_inspect_names_groups_masters_and_what_is_missing(tmp_path):
    result = call("inspect", FOLDER)
    assert result.exit_code == 0
    assert "Wicker Nebula, Ha: 9 lights, 18 min in all" in result.output
    assert "matches in exposure and temperature" in result.output
    assert "Nothing is missing." in result.output
    lights_only = call("inspect", FOLDER / "lights" / "L")
    assert lights_only.exit_code == 0
    assert "no flat serves them" in lights_only.output
    assert "remedy: take flats" in lights_only.output
    nothing = call("inspect", tmp_path)
    assert nothing.exit_code == 1
    assert "No light frames were found." in nothing.output


def test_inspect_of_500_frames_takes_little_time(tmp_path):
    """At most 2.5 s on two quiet processors; here with room for slow and busy machines."""
    frames = [path for path in sorted(FOLDER.rglob("*")) if ".fit" in path.name]
    for number in range(500):
        original = frames[number % len(frames)]
        folder = tmp_path / original.parent.relative_to(FOLDER)
        folder.mkdir(parents=True, exist_ok=True)
        shutil.copy(original, folder / f"{number}_{original.name}")
    code = (
        "import sys, time; from stackbench.cli.commands import app\n"
        "try: app(['inspect', '--without-library', sys.argv[1]])\n"
        "except SystemExit as end: assert end.code == 0\n"
        "print(time.process_time())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert "Wicker Nebula, Ha" in done.stdout
    assert float(done.stdout.splitlines()[-1]) < 4.5  # of a processor, whoever else is at work


def test_run_makes_channels_and_says_so(night, tmp_path):
    result = call("run", night, "--out", tmp_path / "out", "--jobs", 1, "--tiff", "float32")
    assert result.exit_code == 0, result.output
    assert "5 of 5 subs" in result.output
    assert list((tmp_path / "out" / "channels").glob("*.tif"))
    name = next(night.rglob("*_L_*.fits")).name
    again = call("run", night, "--out", tmp_path / "out", "--reject", name)
    assert again.exit_code == 0
    assert f"{name}: by hand" in again.output
    # the night is kept once, as it was judged last
    told = call("history")
    assert told.exit_code == 0
    rows = [line.split() for line in told.output.splitlines() if line.startswith("  20")]
    assert [row[1] for row in rows] == ["4"]
    written = [tmp_path / "out" / name for name in ("report.html", "frames.csv")]
    before = [path.read_bytes() for path in written]
    for path in written:
        path.unlink()
    made = call("report", tmp_path / "out")
    assert made.exit_code == 0
    # to the byte, and from the record alone
    assert [path.read_bytes() for path in written] == before
    assert b"<b>4</b> of 5 subs kept" in before[0]


def test_a_night_is_kept_only_if_it_may_be(night, tmp_path):
    done = call("run", night, "--out", tmp_path / "out", "--without-history")
    assert done.exit_code == 0
    assert not default_history().exists()
    assert "No nights are kept yet" in call("history").output


def test_a_night_is_kept_where_it_is_wanted(night, tmp_path):
    elsewhere = tmp_path / "nights" / "mine.sqlite"
    done = call("run", night, "--out", tmp_path / "out", "--history", elsewhere)
    assert done.exit_code == 0, done.output
    assert not default_history().exists()
    told = call("history", "--history", elsewhere)
    assert told.exit_code == 0
    assert told.output.splitlines()[0] == str(elsewhere)
    assert any(line.startswith("  20") for line in told.output.splitlines())
    refused = call("run", night, "--out", tmp_path / "out", "--history", tmp_path)
    assert refused.exit_code == 2
    assert "is a directory" in refused.output


def test_a_damaged_history_stops_no_job(night, tmp_path):
    default_history().write_bytes(b"no database at all" * 100)
    done = call("run", night, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert "not compared with earlier ones" in done.output
    told = call("history")
    assert told.exit_code == 2
    assert "move the file away" in told.output


def test_nothing_to_stack_is_exit_code_1(tmp_path):
    result = call("run", FOLDER / "calibration" / "bias", "--out", tmp_path / "out")
    assert result.exit_code == 1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["run", "nowhere"], "does not exist"),
        (["run", FOLDER, "--out", FOLDER], "output folder"),
        (["run", FOLDER, "--tiff", "jpeg"], "uint16 or float32"),
        (["run", FOLDER, "--settings", "none.toml"], "none.toml"),
        (["run", FOLDER, "--reject", "none.fits"], "no light of this name"),
        (["inspect", "nowhere"], "does not exist"),
        (["report", "nowhere"], "no record of a finished job"),
        (["run", FOLDER, "--jobs", "0"], "--jobs"),
    ],
)
def test_wrong_use_is_exit_code_2_with_the_way_out(arguments, message, tmp_path):
    if arguments[0] == "run" and "--out" not in arguments:
        arguments = [*arguments, "--out", tmp_path / "out"]
    result = call(*arguments)
    assert result.exit_code == 2
    assert message in result.output


def test_the_default_output_folder_lies_beside_the_night(tmp_path):
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / "empty.fits").write_bytes(b"")
    assert call("run", folder).exit_code == 1
    assert (tmp_path / "night-stacked" / "night.json").is_file()


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT can be sent to one process there")
def test_ctrl_c_stops_cleanly(night, tmp_path):
    out = tmp_path / "out"
    code = "from stackbench.cli.commands import main; main()"
    arguments = [sys.executable, "-c", code, "run", str(night), "--out", str(out)]
    process = subprocess.Popen(arguments, stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 60
    while not (out / "stackbench.sqlite").exists() and time.monotonic() < deadline:
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 130, errors
    assert "Stopped" in errors
    assert not list(Path(out).glob(".*"))
