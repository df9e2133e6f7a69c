"""A window on a small simulated night, offscreen, that says nothing to the log."""

import os

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import shutil

import numpy as np
import pytest
from PySide6.QtCore import QSettings

from stackbench.job.warming import warm_up
from stackbench.window.choices import Choices
from stackbench.window.mainwindow import MainWindow
from tests.support.jobs import run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

# the offscreen platform says so of every window; no other has that
_EXPECTED = ("This plugin does not support",)


@pytest.fixture(scope="session", autouse=True)
def loaded():
    """Load the job's libraries, as the program does while a folder is looked for."""
    warm_up().join()


@pytest.fixture(scope="session")
def night(tmp_path_factory):
    """Give a night of two filters."""
    folder = tmp_path_factory.mktemp("window") / "night"
    plan = plan_small_night(lights=5)
    simulate_night(folder, rng=np.random.default_rng(3), night=plan)
    return folder


@pytest.fixture(scope="session")
def worked(tmp_path_factory, night):
    """Give the output of a run on the night, to be copied."""
    out = tmp_path_factory.mktemp("window") / "worked"
    run_night(night, out=out)
    return out


@pytest.fixture(autouse=True)
def quiet_log(qtlog):
    """Let a Qt warning fail the test."""
    yield
    heard = [r.message for r in qtlog.records if not r.message.startswith(_EXPECTED)]
    assert heard == []


@pytest.fixture
def choices(tmp_path):
    return Choices(QSettings(str(tmp_path / "choices.ini"), QSettings.Format.IniFormat))


@pytest.fixture
def window(qtbot, choices):
    """Give a window that is closed, without being asked, at the end."""
    window = MainWindow(choices, threads=2)
    window._sure_to_close = lambda: True
    qtbot.addWidget(window)
    window.show()
    qtbot.waitExposed(window)
    yield window
    window.close()


@pytest.fixture
def finished(qtbot, window, night, worked, tmp_path):
    """Give a window in which a night was taken up that is finished already."""
    out = tmp_path / "out"
    shutil.copytree(worked, out, copy_function=shutil.copy2)
    with qtbot.waitSignal(window.controller.finished, timeout=30_000):
        window.controller.open([night], out)
    return window
