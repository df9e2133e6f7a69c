"""Picture every page: ``python -m tests.support.screenshots``."""

import argparse
import os
import shutil
import tempfile
import time
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PySide6.QtCore import QEventLoop, QSettings, QTimer
from PySide6.QtWidgets import QApplication, QDialog

from stackbench.job.settings import Settings
from stackbench.job.store import Decision
from stackbench.window.choices import Choices
from stackbench.window.dressing import dress
from stackbench.window.help import GUIDE
from stackbench.window.look import DARK, LIGHT
from stackbench.window.mainwindow import MainWindow
from stackbench.window.settingvalues import values_of
from stackbench.window.stackspage import DIFFERENCE
from stackbench.window.stepbar import CHANNELS, FINDINGS, FRAMES, MASTERS, NIGHT, REVIEW, STACKS
from tests.support.make_sample import FOLDER

PICTURES = Path(__file__).resolve().parents[2] / "resources" / "screenshots"
SIZES = {"": (1280, 860), "-narrow": (860, 720)}


def settle(milliseconds: int = 300) -> None:
    """Let the window draw and its pictures come."""
    loop = QEventLoop()
    QTimer.singleShot(milliseconds, loop.quit)
    loop.exec()


def wait_for(window: MainWindow) -> None:
    """Wait until the job is done."""
    end = time.monotonic() + 300
    while window.controller.working and time.monotonic() < end:
        settle(50)


def picture(window: MainWindow, folder: Path, name: str) -> None:
    """Save what the window shows, in every size and scheme."""
    app = QApplication.instance()
    assert isinstance(app, QApplication)
    for scheme, look in (("light", LIGHT), ("dark", DARK)):
        dress(app, look)
        for size, (width, height) in SIZES.items():
            window.resize(width, height)
            settle()
            window.grab().save(str(folder / f"{name}{size}-{scheme}.png"))


def picture_dialog(dialog: QDialog, folder: Path, name: str) -> None:
    """Save what a dialog shows, in both schemes, and close it."""
    app = QApplication.instance()
    assert isinstance(app, QApplication)
    for scheme, look in (("light", LIGHT), ("dark", DARK)):
        dress(app, look)
        settle()
        dialog.grab().save(str(folder / f"{name}-{scheme}.png"))
    dialog.reject()


def picture_settings(window: MainWindow, folder: Path) -> None:
    """Save a part of the settings that has a fault, and those of the program."""
    dialog = window.beside.show_settings()
    dialog.parts.setCurrentRow(3)
    form = dialog.forms[3]
    form.show_values(values_of(Settings()) | {"review.fwhm.tightest": "wide"})
    form.edited.emit()
    picture_dialog(dialog, folder, "settings")
    dialog = window.beside.show_settings()
    dialog.parts.setCurrentRow(len(dialog.forms))
    picture_dialog(dialog, folder, "program")


def picture_all(folder: Path, work: Path) -> None:
    """Go through the window with the sample night."""
    folder.mkdir(parents=True, exist_ok=True)
    settings = QSettings(str(work / "choices.ini"), QSettings.Format.IniFormat)
    window = MainWindow(Choices(settings), threads=2)
    window.show()
    picture(window, folder, "start")
    night = work / "2031-11-14"
    shutil.copytree(FOLDER, night)
    window.add_nights([night])
    picture(window, folder, "chosen")
    window.start.begin.click()
    while window.controller.working and not window.controller.model.lanes:
        settle(20)
    picture(window, folder, "working")
    wait_for(window)
    window.go_to(NIGHT)
    picture(window, folder, "night")
    window.go_to(FRAMES)
    picture(window, folder, "frames")
    window.go_to(MASTERS)
    window.masters.products.pick(2)
    settle(1500)
    picture(window, folder, "masters")
    window.masters.products.pick(1)
    settle(1500)
    picture(window, folder, "masters-dark-frame")
    window.go_to(FINDINGS)
    window.findings.list.setCurrentRow(1)
    picture(window, folder, "findings")
    model = window.controller.model
    model.choose([])
    doubtful = next(row for row in model.rows if row.rejected)
    window.look_at(doubtful.path)
    settle(1500)
    picture(window, folder, "review")
    for box in (window.review.zones, window.review.stars):
        box.setChecked(True)
    picture(window, folder, "field")
    for box in (window.review.zones, window.review.stars):
        box.setChecked(False)
    lane = next(row for row in model.rows if row.rejected).lane
    stretch = [row.path for row in model.rows if row.lane == lane][2:5]
    model.choose(stretch)
    window.decide(Decision.REJECT)
    window.bar.show_measure("fwhm_px")
    handle = window.bar.ribbon.handles()[0]
    settle()
    window.controller.try_limit("fwhm_px", handle.value * 0.75, handle.typical)
    picture(window, folder, "deciding")
    window.controller.trial.drop()
    window.controller.deciding.undo_stack.undo()
    model.choose([])
    window.go_to(STACKS)
    settle(3000)
    picture(window, folder, "stacks")
    window.stacks.layers.button(DIFFERENCE).click()
    settle(4000)
    picture(window, folder, "difference")
    window.stacks.layers.button(0).click()
    window.go_to(CHANNELS)
    settle(800)
    picture(window, folder, "channels")
    window.channels.colour.setChecked(True)
    settle(800)
    picture(window, folder, "colour")
    picture_dialog(window.channels.open_export(), folder, "export")
    picture_settings(window, folder)
    picture_dialog(window.beside.show_page("Guide", GUIDE), folder, "guide")
    window.go_to(REVIEW)
    window.close()
    again = MainWindow(Choices(settings), threads=2)
    again.show()
    picture(again, folder, "recent")
    again.close()


def main() -> None:
    """Picture every page into the project's folder, or the one given."""
    parser = argparse.ArgumentParser(description="Picture every page of the window.")
    parser.add_argument("folder", nargs="?", type=Path, default=PICTURES)
    options = parser.parse_args()
    app = QApplication([])
    with tempfile.TemporaryDirectory() as work:
        # no path of the machine that makes the pictures is to be seen in them
        os.environ["HOME"] = os.environ["USERPROFILE"] = work
        picture_all(options.folder, Path(work))
    app.quit()


if __name__ == "__main__":
    main()
