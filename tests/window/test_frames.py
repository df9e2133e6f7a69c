"""The Frames page: what serves what, and kinds and filters set by hand."""

import shutil

import pytest
from astropy.io import fits
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel

from stackbench.frames.records import Kind
from stackbench.window.stepbar import FRAMES
from tests.support.settling import settle

LONG = 60_000


@pytest.fixture
def unnamed(qtbot, window, night, worked, tmp_path):  # noqa: ARG001 - it compiles all
    """Give a window on a finished night whose darks do not say what they are."""
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    for path in [one for one in copy.rglob("*.fits") if "dark" in one.name.lower()]:
        with fits.open(path, mode="update") as file:
            del file[0].header["IMAGETYP"]
        target = copy / "found" / f"x{path.name[-8:]}"
        target.parent.mkdir(exist_ok=True)
        path.rename(target)
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([copy], tmp_path / "out")
    window.go_to(FRAMES)
    window.frames.one_by_one.click()
    return window


def choose(window, words):
    every = window.frames.every
    every.search.setText(words)
    every.table.selectAll()
    return every.chosen()


def told(window):
    return [one.text() for one in window.frames.findChildren(QLabel) if not one.isHidden()]


def kinds(window):
    return {frame.path: frame.kind for frame in window.controller.model.state.frames}


def test_unknown_frames_are_made_darks_by_hand_and_serve_then(qtbot, unnamed):
    every, model = unnamed.frames.every, unnamed.controller.model
    assert "6 of unknown kind" in unnamed.frames._counts.text()
    assert "x001.fits and 5 more" in told(unnamed)
    assert not every.apply.isEnabled()
    paths = choose(unnamed, "unknown")
    assert len(paths) == 6
    assert not every.apply.isEnabled(), "nothing is to be set yet"
    every.kind.setCurrentText("dark")
    every.apply.click()
    settle(qtbot, unnamed)
    assert {kinds(unnamed)[path] for path in paths} == {Kind.DARK}
    assert every.kind.currentIndex() == 0
    assert model.state.replanned
    assert all(s.dark is not None for g in model.state.overview.groups for s, _ in g.servings)
    assert "The plan is another one" in unnamed.strip.words
    assert unnamed.actions_by_words["Undo"].text() == "Undo: set kind or filter of 6 frames"
    with qtbot.waitSignal(unnamed.controller.finished, timeout=LONG):
        unnamed.strip.go_on.click()
    assert not unnamed.strip.isVisible()
    assert len(model.state.stacks) == 2
    frames = {frame.path: frame for frame in model.state.night.frames}
    assert frames[paths[0]].by_hand == ("kind by hand: dark instead of unknown",)
    unnamed.actions_by_words["Undo"].trigger()
    settle(qtbot, unnamed)
    assert {kinds(unnamed)[path] for path in paths} == {Kind.UNKNOWN}
    unnamed.actions_by_words["Redo"].trigger()
    settle(qtbot, unnamed)
    assert {kinds(unnamed)[path] for path in paths} == {Kind.DARK}


def test_a_filter_set_by_hand_moves_subs_to_another_lane_and_back(qtbot, finished):
    finished.go_to(FRAMES)
    every, model = finished.frames.every, finished.controller.model
    assert [lane.filter_name for lane in model.lanes] == ["L", "R"]
    paths = choose(finished, "_R_")
    assert paths
    every.filter.setEditText("H-alpha")
    every.apply.click()
    settle(qtbot, finished)
    assert [lane.filter_name for lane in model.lanes] == ["L", "Ha"]
    shown = every.table.model()
    words = {shown.index(row, 2).data() for row in range(shown.rowCount())}
    assert words == {"Ha, by hand"}
    assert every.clear.isEnabled()
    every.clear.click()
    settle(qtbot, finished)
    assert [lane.filter_name for lane in model.lanes] == ["L", "R"]
    assert finished.controller.session.labels() == {}


def test_nothing_is_set_while_work_goes_on(qtbot, finished):
    finished.go_to(FRAMES)
    every, controller = finished.frames.every, finished.controller
    choose(finished, "_R_")
    every.filter.setEditText("B")
    every.apply.click()
    settle(qtbot, finished)
    before = kinds(finished), controller.session.labels()
    with qtbot.waitSignal(controller.finished, timeout=LONG):
        controller.go_on()
        assert not every.apply.isEnabled()
        assert "Stop the work first" in every._words.text()
        finished.actions_by_words["Undo"].trigger()
        settle(qtbot, finished)
        assert "Stop the work first" in finished.notice.text()
        assert (kinds(finished), controller.session.labels()) == before
    finished.actions_by_words["Undo"].trigger()
    settle(qtbot, finished)
    assert controller.session.labels() == {}


def test_the_table_sorts_and_searches(finished):
    every = finished.frames.every
    shown = every.table.model()
    assert shown.rowCount() == len(finished.controller.model.state.frames)
    every.table.sortByColumn(4, Qt.SortOrder.DescendingOrder)
    assert shown.index(0, 4).data() == "60 s"
    every.search.setText("flat")
    assert {shown.index(row, 1).data() for row in range(shown.rowCount())} == {"flat"}
    flats = shown.rowCount()
    every.search.setText("l flat_L FLAT")  # in whatever order and column
    assert 0 < shown.rowCount() < flats


def test_matches_are_told_for_bias_dark_and_flat(finished):
    finished.go_to(FRAMES)
    words = told(finished)
    assert "inside the dark, not needed by itself" in words
    assert any("60 s as the lights" in one and "of the same night" in one for one in words)
    assert words.count("good match") == 6
