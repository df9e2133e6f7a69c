"""Every colour is seen on what it is drawn on, in both schemes."""

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QGuiApplication
from PySide6.QtWidgets import QApplication, QListWidget

from stackbench.window.app import follow_system
from stackbench.window.contrast import PARTS, TEXT, contrast, told_apart
from stackbench.window.dressing import dress
from stackbench.window.look import DARK, LIGHT, look_of, marks_of

both = pytest.mark.parametrize("look", [LIGHT, DARK], ids=["light", "dark"])
FILTERS = ("U", "B", "Hb", "OIII", "G", "V", "R", "Ha", "NII", "SII", "I", "L", None, "Odd")


def test_contrast_is_that_of_wcag():
    # WCAG 2.2, definition of "contrast ratio": from 1 to 21
    black, white = QColor("#000000"), QColor("#ffffff")
    assert contrast(black, white) == pytest.approx(21)
    assert contrast(white, white) == pytest.approx(1)
    # from memory: #767676 is the lightest grey that meets 4.5:1 on white
    assert contrast(QColor("#767676"), white) == pytest.approx(4.54, abs=0.01)
    assert contrast(white, QColor("#777777")) < 4.5


@both
@pytest.mark.parametrize("ground", ["ground", "panel", "well"])
@pytest.mark.parametrize("ink", ["ink", "muted", "warn"])
def test_text_is_read_on_every_ground(look, ground, ink):
    # WCAG 2.2, 1.4.3: 4.5:1 at least
    assert contrast(QColor(getattr(look, ink)), QColor(getattr(look, ground))) >= TEXT


@both
def test_text_on_what_is_chosen_is_read(look):
    assert contrast(QColor(look.accent_ink), QColor(look.accent)) >= TEXT


@both
@pytest.mark.parametrize("ground", ["ground", "panel", "well"])
@pytest.mark.parametrize("part", ["edge", "accent"])
def test_parts_are_seen_on_every_ground(look, ground, part):
    # WCAG 2.2, 1.4.11: 3:1 at least, for outlines of controls, focus and what is chosen
    assert contrast(QColor(getattr(look, part)), QColor(getattr(look, ground))) >= PARTS


@both
@pytest.mark.parametrize("ground", ["ground", "panel", "well"])
def test_marks_of_filters_are_seen_and_keep_their_hue(look, ground):
    for mark in marks_of(FILTERS).values():
        hue = look.filter_hue(mark)
        assert contrast(hue, QColor(getattr(look, ground))) >= PARTS, mark
        if not mark.hue.startswith("var("):
            assert abs(hue.hslHue() - QColor(mark.hue).hslHue()) <= 3


@both
def test_marks_of_filters_differ_in_shape_where_they_share_a_hue(look):
    marks = marks_of(FILTERS)
    seen = {(look.filter_hue(mark).name(), mark.shape) for mark in marks.values()}
    assert len(seen) == len(marks)


@both
def test_the_focus_lays_no_veil_over_the_chosen_row(qtbot, qapp, look):
    dress(qapp, look)
    rows = QListWidget()
    qtbot.addWidget(rows)
    rows.addItems(["one", "two"])
    rows.setCurrentRow(0)
    rows.show()
    rows.activateWindow()
    rows.setFocus()
    qtbot.waitUntil(rows.hasFocus)
    row = rows.visualItemRect(rows.item(0))
    seen = rows.viewport().grab().toImage().pixelColor(row.right() - 20, row.center().y())
    dress(qapp, LIGHT)
    assert seen == QColor(look.accent)


def test_a_colour_that_is_seen_stays():
    assert told_apart(QColor("#000080"), QColor("#ffffff")) == QColor("#000080")


def test_light_and_dark_follow_the_system_while_running(qapp):
    hints = QGuiApplication.styleHints()
    stop = follow_system(qapp)
    try:
        for scheme, dark in ((Qt.ColorScheme.Dark, True), (Qt.ColorScheme.Light, False)):
            hints.colorSchemeChanged.emit(scheme)  # the offscreen platform has no scheme to set
            assert look_of(QApplication.palette()).dark is dark
    finally:
        stop()
        dress(qapp, LIGHT)
