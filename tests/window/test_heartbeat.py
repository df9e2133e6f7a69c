"""The window stays alive while a job of many subs works."""

import subprocess
import sys
import time

import numpy as np
import pytest
from PySide6.QtCore import QTimer

from stackbench.job.store import Decision
from tests.bench.longnight import long_night
from tests.support.heartbeat import Heartbeat
from tests.support.settling import settle
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

# A gap that a person notices.
MOST_S = 0.1
LONG = 300_000
_SPIN = "import time; end = time.time() + 600\nwhile time.time() < end: pass"


@pytest.fixture
def many(tmp_path):
    """A night of 120 small subs of two filters."""
    night = tmp_path / "few"
    simulate_night(night, rng=np.random.default_rng(3), night=plan_small_night(lights=3))
    return long_night(night, 120)


def granted(qtbot):
    """Measure how long a gap, and own work, may be here for `MOST_S` on a machine of one's own.

    Other programs hold up a loop that has nothing to do, and slow down one
    that works; and where processors share caches, or a host lends them, the same
    work takes more processor time. Two processes spin meanwhile, as the job's
    threads do later.
    """
    busy = [subprocess.Popen([sys.executable, "-c", _SPIN]) for _ in range(2)]
    try:
        heartbeat = Heartbeat()
        qtbot.wait(2000)
        slowed = max(work(0.03) / 0.03 for _ in range(12))
        same = [same_work() for _ in range(12)]
    finally:
        for one in busy:
            one.kill()
            one.wait()
    return MOST_S * slowed + 3 * heartbeat.longest, MOST_S * max(same) / min(same)


def most_granted(*measured):
    """Take the larger of what was granted before and after."""
    return tuple(map(max, *measured))


def same_work():
    """Tell how much processor time some 0.1 s of Python's work takes now.

    Less would be too little for systems that count it in steps of 16 ms.
    """
    start = time.thread_time()
    sum(k * k for k in range(1_500_000))
    return time.thread_time() - start


def work(own_s):
    """Work for so long on a processor; tell how long that took by the clock."""
    start, end = time.perf_counter(), time.thread_time() + own_s
    while time.thread_time() < end:
        pass
    return time.perf_counter() - start


def test_no_gap_is_noticed_while_many_subs_are_worked_on(qtbot, window, many, tmp_path):
    before = granted(qtbot)
    heartbeat = Heartbeat()
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([many], tmp_path / "out")
    gaps = np.sort(heartbeat.gaps)
    most, most_own = most_granted(before, granted(qtbot))
    assert gaps[-1] < most, f"longest gaps {gaps[-5:].round(3)} s, granted {most:.3f} s"
    assert heartbeat.longest_own < most_own, "the loop itself worked too long at a stretch"


def test_deciding_on_all_subs_holds_nothing_up(qtbot, window, many, tmp_path):
    controller = window.controller
    with qtbot.waitSignal(controller.finished, timeout=LONG):
        controller.open([many], tmp_path / "out")
    qtbot.waitUntil(lambda: not controller.findings.asked, timeout=LONG)
    paths = [row.path for row in controller.model.rows]
    before = granted(qtbot)
    heartbeat = Heartbeat()
    for decide in (
        lambda: controller.deciding.decide(paths, Decision.REJECT),
        controller.deciding.undo,
        lambda: controller.deciding.decide(paths[::2], Decision.KEEP),
        lambda: controller.try_limit("fwhm_px", 1.0, None),
        controller.apply_trial,
        controller.restore_limits,
        controller.apply_trial,
    ):
        decide()
        settle(qtbot, window)
        qtbot.wait(20)
    longest, longest_own = heartbeat.longest, heartbeat.longest_own
    most, most_own = most_granted(before, granted(qtbot))
    assert longest < most
    assert longest_own < most_own
    assert {row.path for row in controller.model.rows if row.by_hand} == set(paths[::2])


def test_a_loop_that_is_held_up_is_noticed(qtbot):
    heartbeat = Heartbeat()

    QTimer.singleShot(20, lambda: work(2 * MOST_S))
    QTimer.singleShot(60, lambda: time.sleep(2 * MOST_S))
    qtbot.wait(600)
    assert heartbeat.longest >= 2 * MOST_S
    assert 2 * MOST_S <= heartbeat.longest_own < 3 * MOST_S
