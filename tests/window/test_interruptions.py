"""Work that is stopped, closed or robbed of a file leaves what is finished and goes on."""

import gzip
import shutil

import pytest
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QLabel

from stackbench.job.progress import Step
from stackbench.job.session import Session
from stackbench.job.store import Decision
from stackbench.window.mainwindow import MainWindow
from stackbench.window.stepbar import NIGHT
from tests.support.jobs import checksums
from tests.support.settling import settle

LONG = 60_000


def begin(qtbot, window, night, out, *, until):
    """Open a night and stop the work as soon as a step begins."""

    def stop_at(reading):
        if reading.step is until:
            window.stop()

    window.controller.progressed.connect(stop_at)
    with qtbot.waitSignal(window.controller.stopped, timeout=LONG):
        window.controller.open([night], out)
    window.controller.progressed.disconnect(stop_at)


def products(out):
    """Give the checksums of all that is finished; the store and the lock are none."""
    names = ("masters", "stacks", "channels")
    return {n: c for n, c in checksums(out).items() if n.split("/")[0] in names}


@pytest.mark.parametrize("step", list(Step))
def test_work_stopped_in_any_step_is_taken_up_and_ends_alike(
    qtbot, window, night, worked, tmp_path, step
):
    out = tmp_path / "out"
    begin(qtbot, window, night, out, until=step)
    assert "Stopped" in window.strip.words
    left = products(out)
    assert not [name for name in left if ".tmp" in name or name.endswith("~")]
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.strip.go_on.click()
    state = window.controller.model.state
    assert state.stale == ()
    assert len(state.stacks) == len(state.channels) == 2
    assert products(out).keys() == products(worked).keys()
    # what was finished before the work was stopped was not made again; a channel is finished
    # with the last of its three files, and written anew till then
    left = {name: one for name, one in left.items() if not name.startswith("channels/")}
    assert left.items() <= products(out).items()


def test_the_night_in_short_says_that_nothing_is_judged_yet(qtbot, window, night, tmp_path):
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    for flat in copy.rglob("flat_R*"):
        flat.unlink()
    begin(qtbot, window, copy, tmp_path / "out", until=Step.MEASURE)
    window.go_to(NIGHT)
    words = [one.text() for one in window.summary.findChildren(QLabel)]
    assert words.count("5, not judged yet") == 2, "five lights of each filter"
    assert [one for one in words if one.startswith("Lights of")], "a problem is a sentence"


@pytest.mark.parametrize("harm", ["deleted", "cut short"])
def test_a_file_that_breaks_in_mid_run_is_told_and_the_others_go_on(
    qtbot, window, night, tmp_path, harm
):
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    light = sorted((copy / "lights").rglob("*_L_*.fits"))[1]

    def break_it(reading):
        if reading.step is Step.MASTERS and light.exists():
            if harm == "deleted":
                light.unlink()
            else:
                light.write_bytes(light.read_bytes()[:9000])

    window.controller.progressed.connect(break_it)
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([copy], tmp_path / "out")
    state = window.controller.model.state
    told = [problem for problem in state.problems if problem.path == light]
    assert len(told) == 1
    assert told[0].why
    assert told[0].remedy
    assert len(state.stacks) == 2
    window.go_to("Frames")
    assert window.controller.model.row(light) is not None
    window.look_at(light)  # its picture cannot be made, and that is told in place
    qtbot.waitUntil(lambda: window.review.pair.sub_view.words != "", timeout=10_000)


def test_a_packed_file_that_is_cut_short_is_told(qtbot, window, night, tmp_path):
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    light = sorted((copy / "lights").rglob("*_L_*.fits"))[1]
    packed = light.with_name(f"{light.name}.gz")
    packed.write_bytes(gzip.compress(light.read_bytes())[:20_000])
    light.unlink()
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([copy], tmp_path / "out")
    assert packed in [problem.path for problem in window.controller.model.state.problems]
    assert len(window.controller.model.state.stacks) == 2


def test_closed_in_mid_job_the_window_takes_the_night_up_again(qtbot, choices, night, tmp_path):
    out = tmp_path / "out"
    first = MainWindow(choices, threads=2)
    qtbot.addWidget(first)
    first.show()
    asked = []
    first._sure_to_close = lambda: asked.append(True) or True
    steps = []
    first.controller.progressed.connect(lambda reading: steps.append(reading.step))
    first.controller.open([night], out)
    qtbot.waitUntil(lambda: Step.MEASURE in steps, timeout=LONG)
    first.close()
    assert len(asked) == 1
    assert not first.isVisible()
    assert not first.controller.working
    left = products(out)
    assert left, "masters are made before the lights are measured"

    again = MainWindow(choices, threads=2)
    qtbot.addWidget(again)
    again.show()
    row = again.start.recent.findChildren(type(again.start.choose))[0]
    with qtbot.waitSignal(again.controller.finished, timeout=LONG):
        row.click()
    assert again.controller.out == out
    assert left.items() <= products(out).items()
    assert len(again.controller.model.state.stacks) == 2
    again.close()


def drop(window, data):
    place, flags = QPoint(100, 100), (Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier)
    entering = QDragEnterEvent(place, Qt.DropAction.CopyAction, data, *flags)
    window.dragEnterEvent(entering)
    if entering.isAccepted():
        window.dropEvent(QDropEvent(QPointF(place), Qt.DropAction.CopyAction, data, *flags))
    return entering.isAccepted()


def links(*urls):
    data = QMimeData()
    data.setUrls(list(urls))
    return data


@pytest.mark.parametrize("name", ["notes.txt", "moon.png", "a folder that is gone"])
def test_a_drop_of_what_is_no_folder_is_refused_by_name(window, tmp_path, name):
    path = tmp_path / name
    if path.suffix:
        path.write_bytes(b"\x89PNG nothing")
    assert drop(window, links(QUrl.fromLocalFile(str(path))))
    assert f"{name} is no folder" in window.start._words.text()
    assert window.start._words.isVisible()
    assert not window.start.begin.isVisible()


def test_a_drop_of_a_web_page_is_refused_and_one_of_text_not_taken(window):
    assert drop(window, links(QUrl("https://example.org/night")))
    assert "nothing on this computer" in window.notice.text()
    assert window.notice.isVisible()
    text = QMimeData()
    text.setText("just words")
    assert not drop(window, text)


def test_a_night_that_vanished_before_the_beginning_is_told(qtbot, window, night, tmp_path):
    copy = tmp_path / "night"
    shutil.copytree(night, copy)
    window.add_nights([copy])
    shutil.rmtree(copy)
    with qtbot.waitSignal(window.controller.failed, timeout=LONG):
        window.start.begin.click()
    assert "does not exist" in window.start._words.text()
    assert window.pages.currentWidget() is window.start


def test_decisions_results_and_undo_after_reopening(qtbot, finished):
    model = finished.controller.model
    paths = [row.path for row in model.rows][:2]
    finished.controller.deciding.decide(paths, Decision.REJECT)
    settle(qtbot, finished)
    finished.controller.deciding.undo()
    settle(qtbot, finished)
    assert not any(model.row(path).by_hand for path in paths)
    finished.controller.deciding.redo()
    settle(qtbot, finished)
    assert all(model.row(path).by_hand for path in paths)
    with qtbot.waitSignal(finished.controller.finished, timeout=LONG):
        finished.strip.restack.click()
    keys = [stack.recipe.key for stack in model.state.stacks]
    out = finished.controller.out
    finished.close()
    with Session(out, threads=2) as session:
        state = session.run()
        assert session.decisions() == dict.fromkeys(paths, Decision.REJECT)
        assert [stack.recipe.key for stack in state.stacks] == keys
