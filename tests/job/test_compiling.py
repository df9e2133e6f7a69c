"""Compiling ahead: helpers compile what later steps need, and go when the job does."""

import subprocess
import sys

import pytest

from stackbench.frames import compiled
from stackbench.job import compiling
from stackbench.job.compiling import Compiling, compiled_meanwhile
from stackbench.job.progress import Progress
from tests.support.make_sample import FOLDER

# Goes through the helpers' practice, then through a job; tells which kernels of the
# practised floors the job compiled for arguments that were not practised.
_JOB_AFTER_PRACTICE = """
import sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
from stackbench.job.bench import open_bench
from stackbench.job.practising import practise
from stackbench.job.looking import look_through
from stackbench.job.run import run_job
from stackbench.job.settings import Settings

FLOORS = tuple(
    f"stackbench.{floor}" for floor in ("stars", "registration", "rejection", "stacking", "export")
)

def compiled_so_far():
    return {
        (kernel.py_func.__qualname__, signature)
        for name, module in list(sys.modules.items())
        if name.startswith(FLOORS)
        for kernel in vars(module).values()
        if isinstance(kernel, Dispatcher)
        for signature in kernel.signatures
    }

practise(["stars", "channels", "rejection"])
before = compiled_so_far()
with open_bench(Path(sys.argv[2]), settings=Settings()) as bench:
    run_job(bench, look_through(bench, [Path(sys.argv[1])]))
print(len(before), sorted(map(str, compiled_so_far() - before)))
"""

# Tells how many kernels a job asked for, and how many were not on the disk.
_JOB_COUNTING_COMPILED = """
import gc, sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
from stackbench.job.bench import open_bench
from stackbench.job.looking import look_through
from stackbench.job.run import run_job
from stackbench.job.settings import Settings

with open_bench(Path(sys.argv[2]), settings=Settings()) as bench:
    run_job(bench, look_through(bench, [Path(sys.argv[1])]))
kernels = [one for one in gc.get_objects() if isinstance(one, Dispatcher)]
print(sum(one.stats.cache_hits.total() for one in kernels) > 20,
      [one.py_func.__qualname__ for one in kernels if one.stats.cache_misses])
"""


class _Said(Progress):
    def __init__(self):
        self.words = []

    def say(self, text):
        self.words.append(text)


@pytest.fixture
def sleepers(monkeypatch):
    """Helpers that only sleep, and the parts they were asked for."""
    begun = []
    start = subprocess.Popen

    def _start(arguments, **options):
        helper = start([arguments[0], "-c", "import time; time.sleep(60)"], **options)
        helper.args = arguments
        begun.append((arguments[-1], helper))
        assert arguments[:3] == [sys.executable, "-m", "stackbench.job.practising"]
        return helper

    monkeypatch.setattr(subprocess, "Popen", _start)
    return begun


def test_the_very_first_run_begins_helpers_before_any_kernel(monkeypatch, sleepers, tmp_path):
    monkeypatch.setattr(compiling, "machine_code_folder", lambda: tmp_path / "none yet")
    said = _Said()
    one = Compiling()
    one.begin_early(said, "stars", "channels")
    one.begin_early(said, "stars")
    one.close()
    assert [part for part, _ in sleepers] == ["stars", "channels"]
    assert len(said.words) == 1


def test_no_helper_begins_early_where_there_is_machine_code(monkeypatch, sleepers, tmp_path):
    monkeypatch.setattr(compiling, "machine_code_folder", lambda: tmp_path)
    said = _Said()
    Compiling().begin_early(said, "stars")
    assert sleepers == []
    assert said.words == []


def _kernel():
    """Stand for a kernel."""


def test_the_first_run_says_so_once_and_begins_helpers(monkeypatch, sleepers):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: False)
    said = _Said()
    one = Compiling()
    one.begin(said, _kernel, "stars", "channels")
    one.begin(said, _kernel, "rejection")
    one.close()
    assert [part for part, _ in sleepers] == ["stars", "channels"]
    assert len(said.words) == 1
    assert "compiling" in said.words[0]
    # ended by `close`, long before they had slept enough
    assert all(helper.poll() is not None for _, helper in sleepers)


def test_later_runs_begin_no_helper(monkeypatch, sleepers):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: True)
    said = _Said()
    one = Compiling()
    one.begin(said, _kernel, "stars")
    one.wait("stars", "rejection")
    one.close()
    assert sleepers == []
    assert said.words == []


def test_waiting_is_for_the_helpers_of_the_parts_named(monkeypatch, sleepers):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: False)
    one = Compiling()
    one.begin(Progress(), _kernel, "stars", "channels")
    stars, resampling = (helper for _, helper in sleepers)
    stars.kill()
    one.wait("stars")
    assert stars.poll() is not None
    assert resampling.poll() is None
    one.close()


def test_all_is_compiled_while_a_person_chooses(monkeypatch, sleepers, tmp_path):
    monkeypatch.setattr(compiling, "machine_code_folder", lambda: tmp_path / "none yet")
    with compiled_meanwhile():
        ((_, helper),) = sleepers
        assert helper.args[-3:] == ["rejection", "stars", "channels"]
        assert helper.poll() is None
    assert helper.poll() is not None


def test_nothing_is_compiled_again_while_a_person_chooses(monkeypatch, sleepers, tmp_path):
    monkeypatch.setattr(compiling, "machine_code_folder", lambda: tmp_path)
    with compiled_meanwhile():
        assert sleepers == []


def _last_line_of(code, out):
    done = subprocess.run(
        [sys.executable, "-c", code, str(FOLDER), str(out)],
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.splitlines()[-1]


@pytest.fixture(scope="module")
def job_after_practice(tmp_path_factory):
    """Give what a job said after which all kernels are on the disk."""
    return _last_line_of(_JOB_AFTER_PRACTICE, tmp_path_factory.mktemp("first") / "out")


def test_a_job_needs_no_kernels_but_the_practised(job_after_practice):
    count, more = job_after_practice.split(" ", 1)
    assert int(count) > 15
    assert more == "[]"


@pytest.mark.usefixtures("job_after_practice")
def test_a_later_job_compiles_nothing(tmp_path):
    assert _last_line_of(_JOB_COUNTING_COMPILED, tmp_path / "out") == "True []"
