"""Masters, stacks and channels as they are shown."""

import pytest

from stackbench.window.mainwindow import CHANNELS, MASTERS, STACKS

TIMEOUT = 20_000


def shown(qtbot, view):
    qtbot.waitUntil(lambda: view._item.isVisible() and not view.words, timeout=TIMEOUT)
    return view._item.pixmap().toImage()


def test_masters_show_their_picture_numbers_and_frames(qtbot, finished):
    finished.go_to(MASTERS)
    page = finished.masters
    assert not shown(qtbot, page.products.view).isNull()
    kinds = [one.kind for one in page.masters]
    assert kinds == ["bias", "dark", "flat", "flat"]
    assert page.frames.count() == 6
    assert "read noise" in page.products.words.text()
    page.products.pick(2)
    assert page.frames.count() == 4


@pytest.mark.parametrize("layer", range(5))
def test_every_layer_of_a_stack_can_be_seen(qtbot, finished, layer):
    finished.go_to(STACKS)
    page = finished.stacks
    page.layers.button(layer).click()
    image = shown(qtbot, page.products.view)
    assert (image.width(), image.height()) == (320, 240)
    assert "5 subs" in page.products.words.text()


def test_channels_switch_in_place_and_show_colour(qtbot, finished):
    finished.go_to(CHANNELS)
    page = finished.channels
    first = shown(qtbot, page.products.view)
    view = page.products.view
    place = (view.zoom, view.centre.x(), view.centre.y())
    with qtbot.waitSignal(finished.controller.pictures.ready, timeout=TIMEOUT):
        page.products.pick(1)
    second = shown(qtbot, view)
    assert second.size() == first.size()
    assert second != first
    assert (view.zoom, view.centre.x(), view.centre.y()) == place, "no jump"
    page.colour.setChecked(True)
    qtbot.waitUntil(lambda: not view._item.pixmap().toImage().isGrayscale(), timeout=TIMEOUT)
    assert [choice.currentText() for choice in page.choices] == ["R", "L", "L"]
    page.colour.setChecked(False)
    qtbot.waitUntil(lambda: view._item.pixmap().toImage().isGrayscale(), timeout=TIMEOUT)


def test_files_are_named_and_their_folder_opened(finished, monkeypatch):
    opened = []
    monkeypatch.setattr(finished, "_open", opened.append)
    finished.go_to(CHANNELS)
    words = finished.channels.products.words.text()
    for ending in (".fits", ".tif", ".png"):
        assert ending in words
    finished.channels.folder.click()
    finished.summary.report_asked.emit()
    out = finished.controller.out
    assert opened == [out / "channels", out / "report.html"]


def test_help_lists_every_key(finished):
    from stackbench.window.help import keys_text

    text = keys_text(finished.actions_by_words.values())
    for key in ("Ctrl+O", "F5", "| K |", "In Channels"):
        assert key in text
    finished.actions_by_words["Guide"].trigger()
    finished.actions_by_words["Keys"].trigger()
    finished.actions_by_words["About"].trigger()
