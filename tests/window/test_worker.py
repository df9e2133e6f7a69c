"""A worker's one ending, the meter it reports, and pictures made on demand."""

import os
import sys
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from PySide6.QtCore import QThread

from stackbench.export.levels import Scale
from stackbench.frames.work import Cancelled
from stackbench.job.bench import WrongUseError
from stackbench.job.pictures import Picture
from stackbench.job.progress import Step
from stackbench.window.errands import Errands
from stackbench.window.loader import PictureLoader
from stackbench.window.meter import Meter
from stackbench.window.worker import Worker


def endings(qtbot, work):
    worker = Worker(work, generation=7)
    heard = []
    for name in ("done", "cancelled", "failed"):
        getattr(worker, name).connect(lambda *args, name=name: heard.append((name, *args)))
    thread = QThread()
    worker.moveToThread(thread)
    thread.started.connect(worker.run)
    thread.start()
    qtbot.waitUntil(lambda: bool(heard), timeout=5000)
    thread.quit()
    thread.wait()
    qtbot.wait(10)
    return heard


def test_a_worker_ends_exactly_once(qtbot):
    def cancelled(*_):
        raise Cancelled

    def refused(*_):
        raise WrongUseError("the folder is a file")

    assert endings(qtbot, lambda *_: 5) == [("done", 7, 5)]
    assert endings(qtbot, cancelled) == [("cancelled", 7)]
    assert endings(qtbot, refused) == [("failed", 7, "the folder is a file")]


def test_an_unforeseen_error_is_told_and_logged(qtbot, caplog):
    def broken(*_):
        raise ZeroDivisionError("by nothing")

    ((name, _, words),) = endings(qtbot, broken)
    assert name == "failed"
    assert "ZeroDivisionError: by nothing" in words
    assert "the work failed" in caplog.text


@pytest.mark.skipif(sys.platform != "linux", reason="threads have no niceness of their own here")
def test_work_and_the_threads_it_starts_let_the_event_loop_go_first(qtbot):
    def niceness(*_):
        return os.getpriority(os.PRIO_PROCESS, threading.get_native_id())

    def work(*_):
        with ThreadPoolExecutor(1) as pool:
            return niceness(), pool.submit(niceness).result()

    before = niceness()
    ((_, _, (own, started)),) = endings(qtbot, work)
    assert own == started > before
    assert niceness() == before


def test_the_meter_counts_steps_and_guesses_the_rest():
    meter = Meter(started=0.0, first=Step.STACK)
    assert meter.read(1.0).step is None
    meter.begin(Step.STACK, 10)
    meter.advance(5)
    reading = meter.read(10.0)
    assert (reading.done, reading.total) == (5, 10)
    assert 0.35 < reading.whole < 0.5
    assert reading.left_s == pytest.approx(10 * (1 - reading.whole) / reading.whole)
    meter.begin(Step.EXPORT, 0)
    assert meter.read(11.0).whole > reading.whole
    assert meter.read(1.0).left_s is None


def picture(size=10):
    grey = np.zeros((size, size), dtype=np.uint8)
    return Picture(grey=grey, factor=1, shape=grey.shape, scale=Scale(black=0, white=1))


@pytest.fixture
def loader(qapp):  # noqa: ARG001
    loader = PictureLoader(budget_bytes=250)
    yield loader
    loader.close()


def test_a_picture_is_made_once_and_kept(qtbot, loader):
    made = []
    with qtbot.waitSignal(loader.ready) as ready:
        loader.want("a", lambda: made.append(1) or picture())
    assert ready.args == ["a"]
    loader.want("a", lambda: made.append(1) or picture())
    qtbot.wait(20)
    assert made == [1]


def test_settling_waits_for_the_pictures_at_hand(qtbot, loader):
    gate, made = threading.Event(), []
    loader.want("a", lambda: (gate.wait(30) and made.append(1)) or picture())
    qtbot.waitUntil(lambda: "a" in loader._under_way)
    opener = threading.Timer(0.1, gate.set)
    opener.start()
    loader.clear()
    loader.settle()
    assert made == [1]
    opener.join()


def test_pictures_not_seen_for_longest_make_room(qtbot, loader):
    for key in "abc":
        with qtbot.waitSignal(loader.ready):
            loader.want(key, picture)
    assert loader.get("a") is None
    assert loader.get("c") is not None


def test_the_latest_wish_comes_first_and_dropped_ones_not_at_all(qtbot, loader):
    gates, order = {key: threading.Event() for key in "xy"}, []
    for key, gate in gates.items():  # both threads wait
        loader.want(key, lambda gate=gate: gate.wait(30) and picture())
    qtbot.waitUntil(lambda: len(loader._under_way) == 2)
    loader.want("dropped", picture)
    loader.drop_wishes()
    for key in ("first", "second"):
        loader.want(key, picture)
    loader.want("ahead", picture, soon=False)
    loader.ready.connect(order.append)
    gates["x"].set()  # one thread works on all that is wanted soon, one after the other
    qtbot.waitUntil(lambda: len(order) >= 3)
    gates["y"].set()
    qtbot.waitUntil(lambda: len(order) == 5)
    assert order[:3] == ["x", "second", "first"]
    assert set(order[3:]) == {"ahead", "y"}


def test_a_thread_stays_free_for_what_is_wanted_soon(qtbot, loader):
    gate = threading.Event()
    for key in ("ahead", "further ahead"):
        loader.want(key, lambda: gate.wait(30) and picture(), soon=False)
    qtbot.waitUntil(lambda: loader._under_way == {"ahead"})
    with qtbot.waitSignal(loader.ready) as ready:
        loader.want("now", picture)
    assert ready.args == ["now"]
    gate.set()
    qtbot.waitUntil(lambda: loader.get("further ahead") is not None)


def test_a_stale_picture_is_dropped_and_a_failure_told(qtbot, loader):
    gate, heard = threading.Event(), []
    loader.ready.connect(heard.append)
    loader.want("old", lambda: gate.wait(5) and picture())
    qtbot.waitUntil(lambda: "old" in loader._under_way)
    loader.clear()
    gate.set()

    def missing():
        raise FileNotFoundError(2, "No such file", "gone.fits")

    with qtbot.waitSignal(loader.failed) as failed:
        loader.want("gone", missing)
    assert failed.args[0] == "gone"
    assert "No such file" in failed.args[1]
    assert heard == []


def test_the_count_of_a_question_that_was_cleared_is_not_heard(qtbot, qapp):  # noqa: ARG001
    errands, heard, begun = Errands(), [], threading.Event()
    errands.advanced.connect(lambda *what: heard.append(what))

    def question(progress, stop):  # noqa: ARG001
        progress.begin(Step.STACK, 2)
        begun.set()

    errands.ask("key", question)
    assert begun.wait(10)
    errands.clear()
    qtbot.wait(50)
    errands.close()
    assert heard == []
