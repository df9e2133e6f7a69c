"""Channels handed over: from the button to the copied files."""

import numpy as np
import pytest
import tifffile
from PySide6.QtCore import Qt

from stackbench.export.tiff import tiff_form
from stackbench.window.stepbar import CHANNELS

TIMEOUT = 20_000


@pytest.fixture
def dialog(finished, tmp_path):
    finished.go_to(CHANNELS)
    dialog = finished.channels.open_export()
    dialog.folder.setText(str(tmp_path / "handed over"))
    return dialog


def names(dialog):
    return [dialog.files.item(n).text() for n in range(dialog.files.count())]


def test_chosen_files_are_named_beforehand_and_then_written(qtbot, finished, dialog, tmp_path):
    folder = tmp_path / "handed over"
    assert len(names(dialog)) == 4, "FITS and TIFF of two channels"
    dialog.formats["PNG"].setChecked(True)
    dialog.formats["TIFF"].setChecked(False)
    dialog.channels.item(1).setCheckState(Qt.CheckState.Unchecked)
    named = [words[3:] for words in names(dialog)]
    assert [name.rpartition(".")[2] for name in named] == ["fits", "png"]
    assert not folder.exists(), "nothing is written before it is asked for"
    assert dialog.export.text() == "Export 2 files"
    dialog.export.click()
    qtbot.waitUntil(lambda: "2 files written" in dialog.words.text(), timeout=TIMEOUT)
    assert sorted(path.name for path in folder.iterdir()) == sorted(named)
    channels = finished.controller.out / "channels"
    for name in named:
        assert (folder / name).read_bytes() == (channels / name).read_bytes()
    assert finished.controller.choices.text("export formats", "") == "FITS PNG"


def test_what_is_there_is_not_overwritten_silently(qtbot, finished, dialog, tmp_path):
    folder = tmp_path / "handed over"
    assert all(words.startswith("+") for words in names(dialog))
    dialog.export.click()
    qtbot.waitUntil(lambda: "4 files written" in dialog.words.text(), timeout=TIMEOUT)
    assert all(words.startswith("✓") and "written" in words for words in names(dialog))
    dialog.reject()
    dialog = finished.channels.open_export()
    assert all("is there already and stays" in words for words in names(dialog))
    assert not dialog.export.isEnabled()
    dialog.existing.setCurrentIndex(1)
    assert all("replaces the file" in words for words in names(dialog))
    dialog.existing.setCurrentIndex(2)
    assert all("_2." in words for words in names(dialog))
    dialog.export.click()
    qtbot.waitUntil(lambda: len(list(folder.iterdir())) == 8, timeout=TIMEOUT)


def test_the_depth_of_tiff_files_is_chosen_and_remembered(qtbot, finished, dialog, tmp_path):
    folder = tmp_path / "handed over"
    assert dialog.tiff_depth.currentText() == "16-bit whole numbers"
    dialog.formats["FITS"].setChecked(False)
    dialog.tiff_depth.setCurrentIndex(1)
    dialog.export.click()
    qtbot.waitUntil(lambda: "2 files written" in dialog.words.text(), timeout=TIMEOUT)
    for path in folder.iterdir():
        own = finished.controller.out / "channels" / path.name
        fine, coarse = tifffile.imread(path), tifffile.imread(own)
        assert (fine.dtype, coarse.dtype) == (np.float32, np.uint16)
        # the same picture, to half a step of the coarse one
        assert np.abs(fine * 65535 - coarse).max() <= 0.51
        assert tiff_form(path).scale == tiff_form(own).scale
    dialog.formats["TIFF"].setChecked(False)
    assert not dialog.tiff_depth.isEnabled()
    dialog.reject()
    assert finished.channels.open_export().tiff_depth.currentText() == "32-bit floating point"


def test_a_folder_that_cannot_be_is_told(qtbot, dialog, tmp_path):
    dialog.folder.setText("somewhere")
    assert "whole path" in dialog.words.text()
    assert not dialog.export.isEnabled()
    (tmp_path / "file").write_text("in the way")
    dialog.folder.setText(str(tmp_path / "file"))
    dialog.export.click()
    qtbot.waitUntil(
        lambda: "stands where a folder is needed" in dialog.words.text(), timeout=TIMEOUT
    )
    assert dialog.export.isEnabled(), "it can be tried again"


def test_nothing_is_exported_while_channels_are_made(qtbot, finished, dialog):
    with qtbot.waitSignal(finished.controller.finished, timeout=60_000):
        finished.controller.go_on()
        assert not dialog.export.isEnabled()
        assert "when the work is done" in dialog.words.text()
    qtbot.waitUntil(dialog.export.isEnabled, timeout=TIMEOUT)
