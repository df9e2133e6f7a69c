"""The window from drop to exported channels, with the real job in its worker."""

import shutil

import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication, QLabel

from stackbench.job.progress import Step
from stackbench.job.session import Session
from stackbench.job.store import Decision
from stackbench.window.stepbar import CHANNELS, FRAMES, MASTERS, NIGHT, REVIEW, STACKS
from tests.support.heartbeat import Heartbeat
from tests.support.settling import settle

LONG = 60_000


def drop(window, *paths):
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    place = QPoint(100, 100)
    flags = Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier
    entering = QDragEnterEvent(place, Qt.DropAction.CopyAction, data, *flags)
    window.dragEnterEvent(entering)
    assert entering.isAccepted()
    window.dropEvent(QDropEvent(QPointF(place), Qt.DropAction.CopyAction, data, *flags))


def rows(window, lane=None):
    return [row for row in window.controller.model.rows if lane in (None, row.lane)]


def test_from_drop_to_channels_without_holding_up_the_window(qtbot, window, night, tmp_path):
    assert window.pages.currentWidget() is window.start
    assert not window.bar.isVisible()
    drop(window, night)
    assert window.start.output.text() == str(night.with_name("night-stacked"))
    out = tmp_path / "out"
    window.start.output.setText(str(out))
    heartbeat = Heartbeat()
    seen = []
    window.controller.progressed.connect(lambda reading: seen.append(reading))
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.start.begin.click()
        qtbot.waitUntil(lambda: window.bar.isVisible(), timeout=LONG)
        assert window.pages.currentWidget() is window.frames
        assert window.strip.isVisible()
    # by the clock test_heartbeat.py holds it, which knows how busy the machine is
    assert heartbeat.longest_own < 0.1
    assert {reading.step for reading in seen} >= {Step.MASTERS, Step.MEASURE, Step.STACK}
    whole = [reading.whole for reading in seen]
    assert whole == sorted(whole)
    assert window.pages.currentWidget() is window.summary
    assert not window.strip.isVisible()
    assert len(list((out / "channels").glob("*.fits"))) == 2
    assert window.controller.choices.recent()[0].out == out
    for step, page in (
        (FRAMES, window.frames),
        (MASTERS, window.masters),
        (REVIEW, window.review),
        (STACKS, window.stacks),
        (CHANNELS, window.channels),
        (NIGHT, window.summary),
    ):
        window.go_to(step)
        assert window.pages.currentWidget() is page


def test_nonsense_is_refused_in_place(window, night, tmp_path):
    text = tmp_path / "notes.txt"
    text.write_text("nothing")
    drop(window, text)
    assert window.start._words.isVisible()
    assert "notes.txt is no folder" in window.start._words.text()
    assert not window.start.begin.isVisible()
    drop(window, night, text)
    assert window.start.begin.isVisible()


def test_a_folder_without_frames_is_told_in_words(qtbot, window, tmp_path):
    empty = tmp_path / "empty"
    empty.mkdir()
    drop(window, empty)
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.start.begin.click()
    assert window.controller.model.state.problems
    for step in (FRAMES, MASTERS, REVIEW, STACKS, CHANNELS):
        window.go_to(step)


def test_an_output_folder_that_cannot_be_is_told_on_the_start_page(qtbot, window, night, tmp_path):
    file = tmp_path / "file"
    file.write_text("in the way")
    drop(window, night)
    window.start.output.setText(str(file))
    with qtbot.waitSignal(window.controller.failed, timeout=LONG):
        window.start.begin.click()
    assert window.pages.currentWidget() is window.start
    assert "cannot be written" in window.start._words.text()


def test_an_output_in_use_is_told(qtbot, window, night, tmp_path):
    with (
        Session(tmp_path / "out", [night]),
        qtbot.waitSignal(window.controller.failed, timeout=LONG) as failed,
    ):
        window.controller.open([night], tmp_path / "out")
    assert "another job" in failed.args[0]


@pytest.mark.parametrize("step", [Step.CHECK, Step.MEASURE, Step.STACK])
def test_cancelled_work_goes_on_from_there(qtbot, window, night, tmp_path, step):
    def stop_at(reading):
        if reading.step is step:
            window.stop()

    window.controller.progressed.connect(stop_at)
    with qtbot.waitSignal(window.controller.stopped, timeout=LONG):
        window.controller.open([night], tmp_path / "out")
    window.controller.progressed.disconnect(stop_at)
    assert "Stopped" in window.strip.words
    assert window.strip.go_on.isVisible()
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.strip.go_on.click()
    assert not window.strip.isVisible()
    assert window.controller.model.state.stale == ()


def test_overruling_puts_a_stack_out_of_date_and_only_that_is_stacked_again(qtbot, finished):
    model, controller = finished.controller.model, finished.controller
    keys = [stack.recipe.key for stack in model.state.stacks]
    row = rows(finished, lane=1)[0]
    finished.look_at(row.path)
    assert finished.pages.currentWidget() is finished.review
    finished.review.reject.click()
    settle(qtbot, finished)
    assert model.row(row.path).rejected
    assert model.row(row.path).by_hand
    assert "1 stack out of date: R. What was decided or set since" in finished.strip.words
    with qtbot.waitSignal(controller.finished, timeout=LONG):
        finished.strip.restack.click()
    after = [stack.recipe.key for stack in model.state.stacks]
    assert after[0] == keys[0]
    assert after[1] != keys[1]
    controller.deciding.undo_stack.undo()
    settle(qtbot, finished)
    assert not model.row(row.path).rejected
    assert finished.strip.restack.isVisible()
    controller.deciding.undo_stack.redo()
    settle(qtbot, finished)
    assert model.row(row.path).rejected
    assert not finished.strip.isVisible(), "the stack shows what is decided again"


def test_a_night_is_reopened_with_its_decisions(qtbot, finished, choices):
    path = rows(finished)[0].path
    finished.controller.deciding.decide([path], Decision.REJECT)
    settle(qtbot, finished)
    out = finished.controller.out
    finished.close()
    from stackbench.window.mainwindow import MainWindow

    again = MainWindow(choices, threads=2)
    qtbot.addWidget(again)
    again.show()
    with qtbot.waitSignal(again.controller.finished, timeout=LONG):
        drop(again, out)
    assert again.controller.model.row(path).by_hand
    assert again.controller.session.decisions() == {path: Decision.REJECT}
    again.close()


def test_more_nights_join_the_one_that_is_open(qtbot, finished, night, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(night, other)
    drop(finished, other)
    assert finished.pages.currentWidget() is finished.start
    assert finished.start.output.text() == str(finished.controller.out)
    with qtbot.waitSignal(finished.controller.finished, timeout=LONG):
        finished.start.begin.click()
    assert len(finished.controller.model.state.folders) == 2


def test_a_broken_file_is_told_with_its_remedy(qtbot, window, night, tmp_path):
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    light = next(copy.rglob("*_L_*.fits"))
    light.write_bytes(light.read_bytes()[:5000])
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([copy], tmp_path / "out")
    problems = window.controller.model.state.problems
    assert [problem.path for problem in problems] == [light]
    assert len(window.controller.model.state.stacks) == 2


def test_closing_while_working_asks_once(qtbot, window, night, tmp_path):
    asked = []
    window._sure_to_close = lambda: asked.append(True) or len(asked) > 1
    with qtbot.waitSignal(window.controller.opened, timeout=LONG):
        window.controller.open([night], tmp_path / "out")
    window.close()
    assert window.isVisible()
    assert window.controller.working
    window.close()
    assert len(asked) == 2
    assert not window.isVisible()
    with Session(tmp_path / "out") as session:
        assert session.run().stale == ()


def test_while_it_works_another_night_is_refused(qtbot, window, night, tmp_path):
    with qtbot.waitSignal(window.controller.opened, timeout=LONG):
        window.controller.open([night], tmp_path / "out")
    drop(window, night)
    assert "Stop the work first" in window.notice.text()


def test_what_is_out_of_date_is_not_told_as_if_it_held(qtbot, finished):
    controller, model = finished.controller, finished.controller.model
    deciding, lane = controller.deciding, model.rows[0].lane
    finished.go_to(NIGHT)

    def told():
        QApplication.processEvents()
        return [one.text() for one in finished.summary.findChildren(QLabel) if one.isVisible()]

    noise = f"{model.state.stacks[lane].facts.noise_adu:.2f} ADU"
    assert noise in told()
    deciding.decide([row.path for row in model.rows if row.lane == lane], Decision.REJECT)
    settle(qtbot, finished)
    assert f"was {noise}" in told()
    assert noise not in told()
    with qtbot.waitSignal(controller.finished, timeout=60_000):
        controller.restack()
    settle(qtbot, finished)
    assert "not stacked" in told()
    assert any("nothing was stacked" in words for words in told())
    deciding.undo_stack.undo()
    settle(qtbot, finished)
    assert model.state.stale == (lane,)
    assert "to come" in told()
    assert not any("nothing was stacked" in words for words in told())
    deciding.undo_stack.redo()
    settle(qtbot, finished)
    assert any("nothing was stacked" in words for words in told())
