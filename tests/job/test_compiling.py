"""Compiling ahead: helpers compile what later steps need, and go when the job does."""

import os
import subprocess
import sys
import threading

import pytest
from filelock import FileLock

from stackbench.frames import compiled
from stackbench.job import compiling, practising
from stackbench.job.compiling import Compiling, compiled_meanwhile
from stackbench.job.progress import Progress
from tests.support.make_sample import FOLDER

# Goes through the helpers' practice, then through a job; tells which kernels of the
# practised floors the job compiled for arguments that were not practised.
_JOB_AFTER_PRACTICE = """
import sys
from pathlib import Path
from numba.core.dispatcher import Dispatcher
from stackbench.job import compiling
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

for part in compiling._PARTS:
    practise(part)
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
        assert arguments[:3] == [sys.executable, "-m", "stackbench.job.practising"]
        helper = start([arguments[0], "-c", "import time; time.sleep(60)"], **options)
        begun.append((arguments[3:], helper))
        return helper

    monkeypatch.setattr(subprocess, "Popen", _start)
    monkeypatch.setattr(os, "cpu_count", lambda: 3)
    return begun


@pytest.fixture
def practised(monkeypatch):
    """Parts that the job compiled itself; it finds another process at those put into `busy`."""
    done, busy = [], set()

    def _practise(part, *, patient=True):
        assert not patient
        done.extend({part} - busy)
        return part not in busy

    monkeypatch.setattr(practising, "practise", _practise)
    return done, busy


def test_the_very_first_run_begins_helpers_before_any_kernel(monkeypatch, sleepers, tmp_path):
    monkeypatch.setattr(compiling, "machine_code_folder", lambda: tmp_path / "none yet")
    said = _Said()
    one = Compiling()
    one.begin_early(said, "stars", "resampling")
    one.begin_early(said, "stars")
    one.close()
    assert [parts for parts, _ in sleepers] == [["stars"], ["resampling"]]
    assert len(said.words) == 1


@pytest.mark.parametrize(
    ("processors", "parts"),
    [
        (None, [["stars", "resampling", "channels"]]),
        (2, [["stars", "resampling", "channels"]]),
        (3, [["stars", "channels"], ["resampling"]]),
        (16, [["stars"], ["resampling"], ["channels"]]),
    ],
)
def test_the_job_and_its_helpers_are_as_many_as_processors(
    monkeypatch, sleepers, processors, parts
):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: False)
    monkeypatch.setattr(os, "cpu_count", lambda: processors)
    one = Compiling()
    one.begin(Progress(), _kernel, "stars", "resampling", "channels")
    one.close()
    assert [parts for parts, _ in sleepers] == parts


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
    one.begin(said, _kernel, "stars", "resampling")
    one.begin(said, _kernel, "rejection")
    one.close()
    assert [parts for parts, _ in sleepers] == [["stars"], ["resampling"]]
    assert len(said.words) == 1
    assert "compiling" in said.words[0]
    # ended by `close`, long before they had slept enough
    assert all(helper.poll() is not None for _, helper in sleepers)


def test_later_runs_begin_no_helper(monkeypatch, sleepers, practised):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: True)
    said = _Said()
    one = Compiling()
    one.begin(said, _kernel, "stars")
    one.wait("stars", "rejection")
    one.close()
    assert sleepers == []
    assert said.words == []
    assert practised == ([], set())


def test_waiting_is_for_the_helpers_of_the_parts_named(monkeypatch, sleepers, practised):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: False)
    done, busy = practised
    busy |= {"stars", "resampling"}
    one = Compiling()
    one.begin(Progress(), _kernel, "stars", "resampling")
    stars, resampling = (helper for _, helper in sleepers)
    threading.Timer(0.2, stars.kill).start()
    one.wait("stars")
    assert stars.poll() is not None
    assert resampling.poll() is None
    assert done == []
    one.close()


def test_a_helper_that_hangs_is_not_waited_for_without_end(monkeypatch, sleepers, practised):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: False)
    monkeypatch.setattr(compiling, "_PATIENCE_S", 0.1)
    _, busy = practised
    busy.add("stars")
    one = Compiling()
    one.begin(Progress(), _kernel, "stars")
    ((_, helper),) = sleepers
    one.wait("stars")  # returns, though the helper is still at it
    assert helper.poll() is None
    one.close()


def test_who_would_wait_compiles_what_nobody_is_at(monkeypatch, sleepers, practised):
    monkeypatch.setattr(compiled, "is_on_disk", lambda _: False)
    done, busy = practised
    busy.add("stars")
    one = Compiling()
    one.begin(Progress(), _kernel, "stars", "resampling", "channels")
    first, second = (helper for _, helper in sleepers)
    one.wait("resampling")
    assert sorted(done) == ["channels", "resampling"]
    assert first.poll() is None
    assert second.poll() is None
    one.wait("resampling", "channels")
    assert len(done) == 2  # neither waits nor compiles again
    one.close()


def test_a_helper_tells_of_every_part_that_is_done(monkeypatch):
    code = r"print('a word of a library\nstars', flush=True); import time; time.sleep(60)"
    start = subprocess.Popen
    monkeypatch.setattr(
        subprocess,
        "Popen",
        lambda arguments, **options: start([arguments[0], "-c", code], **options),
    )
    helper = compiling._Helper(("stars", "channels"))
    assert helper.done["stars"].wait(30)
    assert not helper.done["channels"].is_set()
    helper.end()
    assert helper.done["channels"].is_set()


def test_a_part_that_another_process_is_at_is_left_to_it(monkeypatch, tmp_path):
    monkeypatch.setattr(practising, "FOLDER", tmp_path)
    monkeypatch.setattr(practising, "_measure", lambda: pytest.fail("compiled twice"))
    with FileLock(tmp_path / "stars.lock"):
        assert not practising.practise("stars", patient=False)
    did = []
    monkeypatch.setattr(practising, "_measure", lambda: did.append("stars"))
    assert practising.practise("stars", patient=False)
    assert did == ["stars"]


def test_all_is_compiled_while_a_person_chooses(monkeypatch, sleepers, tmp_path):
    monkeypatch.setattr(compiling, "machine_code_folder", lambda: tmp_path / "none yet")
    with compiled_meanwhile():
        ((parts, helper),) = sleepers
        assert parts == ["rejection", *compiling.AFTER_MASTERS]
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
