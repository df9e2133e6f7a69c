"""Open a long night in the window, flick through its subs, and take the times.

`python -m tests.bench.flicking FIGURES_FILE judge|flick NIGHT OUT`

With `judge` a new night is opened and worked on until its subs are judged;
with `flick` it is opened again and gone through. The window is drawn
offscreen, which includes all drawing but the screen's own.
"""

import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PySide6.QtCore import QEventLoop, QSettings, Qt
from PySide6.QtTest import QTest
from PySide6.QtWidgets import QApplication

from stackbench.job.warming import warm_up
from stackbench.window.choices import Choices
from stackbench.window.dressing import dress
from stackbench.window.look import LIGHT
from stackbench.window.mainwindow import MainWindow
from stackbench.window.stepbar import REVIEW
from tests.support.heartbeat import Heartbeat

_LONGEST_S = 3600.0


def wait(until: Callable[[], bool]) -> float:
    """Let the window live until something is so; tell how long it took."""
    start = time.perf_counter()
    while not until():
        QApplication.processEvents(QEventLoop.ProcessEventsFlag.WaitForMoreEvents, 5)
        if time.perf_counter() - start > _LONGEST_S:
            raise TimeoutError("the window did not come to it")
    return time.perf_counter() - start


def open_night(window: MainWindow, night: Path, out: Path) -> dict[str, float]:
    """Open a night; tell when its ribbon shows all subs."""
    start = time.perf_counter()
    window.controller.open([night], out)
    wait(lambda: len(window.controller.model.rows) > 0)
    window.bar.ribbon.repaint()
    return {"ribbon_s": time.perf_counter() - start}


def judge(window: MainWindow, night: Path, out: Path) -> dict[str, object]:
    """Work until all is judged, and stop; tell how long the loop was held up."""
    heartbeat = Heartbeat()
    figures: dict[str, object] = dict(open_night(window, night, out))
    figures["judged_s"] = wait(lambda: bool(window.controller.model.state.groups))
    window.stop()
    wait(lambda: not window.controller.working)
    gaps = sorted(heartbeat.gaps)
    figures["longest_gaps_s"] = gaps[-5:]
    return figures


def flick(window: MainWindow, night: Path, out: Path) -> dict[str, object]:
    """Go through all subs by the key, at once and after a pause, and at random places."""
    figures: dict[str, object] = dict(open_night(window, night, out))
    wait(lambda: bool(window.controller.model.state.groups))
    window.stop()
    wait(lambda: not window.controller.working)
    window.go_to(REVIEW)
    review, model = window.review, window.controller.model
    wait(lambda: review.pair.shown == model.current and not review.pair.best_view.words)
    firsts: list[float] = []
    figures["first_of_filter_s"] = firsts
    for lane in range(len(model.lanes)):  # every filter's masters are read once
        best = model.best_of(lane)
        if best is not None:
            firsts.append(_look(window, best.path))
    paths = review.list.paths()
    step = 7 * len(paths) // 16 | 1
    order = [paths[n * step % len(paths)] for n in range(40)]
    window.controller.pictures.clear()
    window.review.refresh()
    wait(lambda: review.pair.shown == model.current)
    cold, ahead = [_look(window, path) for path in order], []
    window.look_at(paths[0])
    for path in paths[1:]:
        row = model.row(path)
        wait(lambda: review.fetched(row))  # noqa: B023 - called at once
        start = time.perf_counter()
        QTest.keyClick(window, Qt.Key.Key_N)
        ahead.append(_painted(window, start))
    figures |= {"cold_s": cold, "ahead_s": ahead}
    return figures


def _look(window: MainWindow, path: Path) -> float:
    """Jump to a sub; tell the time until it is painted."""
    start = time.perf_counter()
    window.look_at(path)
    return _painted(window, start)


def _painted(window: MainWindow, start: float) -> float:
    review, model = window.review, window.controller.model
    wait(lambda: review.pair.shown == model.current)
    window.repaint()
    for view in (review.pair.sub_view, review.pair.best_view):
        view.viewport().repaint()
    return time.perf_counter() - start


def main() -> None:
    """Do what the command line says."""
    figures_file, what, night, out = sys.argv[1:]
    app = QApplication([])
    dress(app, LIGHT)
    folder = Path(figures_file).parent
    settings = QSettings(str(folder / "choices.ini"), QSettings.Format.IniFormat)
    window = MainWindow(Choices(settings))
    window.resize(1280, 860)
    window.show()
    warm_up().join()  # as the program does while a person looks for a folder
    work = {"judge": judge, "flick": flick}[what]
    figures = work(window, Path(night), Path(out))
    window.close()
    Path(figures_file).write_text(json.dumps(figures), encoding="utf-8")


if __name__ == "__main__":
    main()
