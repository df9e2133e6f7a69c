"""The window stays alive while a job of many subs works."""

import subprocess
import sys

import numpy as np
import pytest

from tests.bench.longnight import long_night
from tests.support.heartbeat import Heartbeat
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


def others_hold_up(qtbot):
    """Measure how long other programs hold up a loop that has nothing to do.

    Two processes spin meanwhile, as the job's threads do later.
    """
    busy = [subprocess.Popen([sys.executable, "-c", _SPIN]) for _ in range(2)]
    try:
        heartbeat = Heartbeat()
        qtbot.wait(3000)
    finally:
        for one in busy:
            one.kill()
            one.wait()
    return heartbeat.longest


def test_no_gap_is_noticed_while_many_subs_are_worked_on(qtbot, window, many, tmp_path):
    before = others_hold_up(qtbot)
    heartbeat = Heartbeat()
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([many], tmp_path / "out")
    after = others_hold_up(qtbot)
    gaps = np.sort(heartbeat.gaps)
    # what other programs do to an idle loop they do to this one, and more than once
    most = MOST_S + 3 * max(before, after)
    assert gaps[-1] < most, f"longest gaps {gaps[-5:].round(3)} s, of an idle loop {before:.3f} s"
