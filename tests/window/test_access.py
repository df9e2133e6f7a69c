"""Everything has a name, a tip and a place on the keyboard, and shows where the keyboard is."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QShortcut
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QAbstractSlider,
    QAbstractSpinBox,
    QApplication,
    QComboBox,
    QGraphicsView,
    QHeaderView,
    QLineEdit,
    QScrollBar,
    QTextBrowser,
    QWidget,
)

from stackbench.window.commands import PLACE_KEYS
from stackbench.window.dressing import dress
from stackbench.window.help import keys_text
from stackbench.window.look import DARK, LIGHT
from stackbench.window.stepbar import NIGHT, STEPS

CONTROLS = (
    QAbstractButton,
    QAbstractItemView,
    QAbstractSlider,
    QAbstractSpinBox,
    QComboBox,
    QGraphicsView,
    QLineEdit,
    QTextBrowser,
)


def belongs_to_another(widget):
    parent = widget.parent()
    while parent is not None:
        if isinstance(parent, QAbstractSpinBox | QComboBox | QLineEdit):
            return True
        parent = parent.parent()
    return isinstance(widget, QScrollBar | QHeaderView) or widget.objectName().startswith("qt_")


def is_control(widget):
    ours = type(widget).__module__.startswith("stackbench")
    focusable = bool(widget.focusPolicy() & Qt.FocusPolicy.TabFocus)
    return (isinstance(widget, CONTROLS) or (ours and focusable)) and not belongs_to_another(widget)


def inside(parent):
    found = parent.findChildren(QWidget)
    return [one for one in found if is_control(one) and one.window() is parent]


def group_of(widget):
    """Give the buttons of which one is chosen: Tab goes to that one, arrows to the others."""
    if not isinstance(widget, QAbstractButton):
        return []
    if widget.group() is not None:
        return widget.group().buttons()
    beside = widget.parent().findChildren(
        QAbstractButton, options=Qt.FindChildOption.FindDirectChildrenOnly
    )
    return [one for one in beside if one.autoExclusive()] if widget.autoExclusive() else []


def name_of(widget):
    return widget.accessibleName() or (widget.text() if hasattr(widget, "text") else "")


def shown(parent):
    return [one for one in inside(parent) if one.isVisible()]


@pytest.fixture
def places(finished):
    """Give all of the window, and every dialog of it."""
    finished.resize(1300, 900)
    return [
        finished,
        finished.beside.show_settings(),
        finished.channels.open_export(),
        finished.beside.show_page("Guide", "words"),
    ]


def test_every_control_has_a_name_and_a_tip(places):
    controls = [one for place in places for one in inside(place)]
    assert len(controls) > 60
    nameless = [f"{one!r} in {one.parent()!r}" for one in controls if not name_of(one)]
    tipless = [name_of(one) for one in controls if not one.toolTip()]
    assert not nameless, "\n".join(nameless)
    assert not tipless, "\n".join(tipless)


def test_every_control_can_be_reached_by_the_keyboard(finished):
    for step in STEPS:
        finished.go_to(step)
        reached = set()
        one = finished.centralWidget()
        for _ in range(500):
            one = one.nextInFocusChain()
            if one.focusPolicy() & Qt.FocusPolicy.TabFocus and one.isVisible():
                reached.add(one)
        missed = [name_of(one) for one in shown(finished) if not ({one, *group_of(one)} & reached)]
        assert missed == [], step


@pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
def test_the_focus_is_seen_on_every_control(qtbot, qapp, places, look):
    dress(qapp, look)
    unseen = []
    for place in places:
        place.activateWindow()
        qtbot.waitUntil(lambda place=place: QApplication.activeWindow() is place)
        for step in STEPS if place is places[0] else (NIGHT,):
            if place is places[0]:
                place.go_to(step)
            for one in shown(place):
                if not one.isEnabled():
                    continue
                place.setFocus()
                before = one.grab().toImage()
                one.setFocus(Qt.FocusReason.TabFocusReason)
                if not one.hasFocus():
                    unseen.append((step, name_of(one), "takes no focus"))
                elif one.grab().toImage() == before:
                    unseen.append((step, name_of(one)))
    dress(qapp, LIGHT)
    assert not unseen, "\n".join(map(str, unseen))


def test_every_key_stands_on_the_keyboard_sheet_and_means_one_thing(finished):
    sheet = keys_text(finished.actions_by_words.values())
    keys = [a.shortcut().toString() for a in finished.actions_by_words.values()]
    keys = [key for key in keys if key]
    assert len(keys) == len(set(keys))
    listed = {key for _, of_place, _ in PLACE_KEYS for key in of_place.split()}
    found = [one.key().toString() for one in finished.findChildren(QShortcut)]
    assert {"S", "M", "C", "E", "Ctrl+L"} <= set(found)
    for key in found:
        assert key not in keys, f"{key} is also in a menu"
        assert key in listed or key.isdecimal(), key
    assert "Ctrl+," in sheet
    assert "Settings" in sheet
