"""Pointing, choosing and moving limits in the night ribbon."""

from dataclasses import replace

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtGui import QColor

from stackbench.review.limits import Limits
from stackbench.window.ribboncells import Cell, draw_cell

LEFT = Qt.MouseButton.LeftButton


@pytest.fixture
def ribbon(finished):
    return finished.bar.ribbon


def centre(ribbon, row):
    return ribbon.cell_of(row.path).center()


def test_time_runs_from_left_to_right_and_every_filter_has_its_lane(finished, ribbon):
    rows = finished.controller.model.rows
    cells = [ribbon.cell_of(row.path) for row in rows]
    assert [cell.left() for cell in cells] == sorted(cell.left() for cell in cells)
    tops = {row.lane: cell.top() for row, cell in zip(rows, cells, strict=True)}
    assert tops[0] < tops[1]
    assert max(cell.right() for cell in cells) <= ribbon.width()


def test_a_click_opens_the_sub_in_review(qtbot, finished, ribbon):
    row = finished.controller.model.rows[3]
    qtbot.mouseClick(ribbon, LEFT, pos=centre(ribbon, row))
    assert finished.controller.model.current == row.path
    assert finished.pages.currentWidget() is finished.review


def test_dragging_chooses_a_stretch_of_the_lanes_it_touches(qtbot, finished, ribbon):
    model = finished.controller.model
    lane = [row for row in model.rows if row.lane == 0]
    start, stop = centre(ribbon, lane[1]), centre(ribbon, lane[3])
    qtbot.mousePress(ribbon, LEFT, pos=start - QPoint(0, 3))
    qtbot.mouseMove(ribbon, stop - QPoint(20, 0))
    qtbot.mouseMove(ribbon, stop)
    qtbot.mouseRelease(ribbon, LEFT, pos=stop)
    assert model.chosen == {row.path for row in lane[1:4]}
    qtbot.mouseClick(ribbon, LEFT, Qt.KeyboardModifier.ControlModifier, centre(ribbon, lane[1]))
    assert model.chosen == {row.path for row in lane[2:4]}
    qtbot.keyClick(ribbon, Qt.Key.Key_Escape)
    assert model.chosen == frozenset()


def test_keys_go_along_the_night_and_decide_on_what_is_chosen(qtbot, finished, ribbon):
    model = finished.controller.model
    ribbon.setFocus()
    finished.look_at(model.rows[0].path)
    qtbot.keyClick(ribbon, Qt.Key.Key_Right)
    assert model.current == model.rows[1].path
    qtbot.keyClick(ribbon, Qt.Key.Key_Right, Qt.KeyboardModifier.ShiftModifier)
    assert model.chosen == {row.path for row in model.rows[1:3]}
    finished.actions_by_words["Reject"].trigger()
    assert [row.rejected for row in model.rows[:4]] == [False, True, True, False]
    assert finished.actions_by_words["Undo"].text() == "Undo: reject 2 subs"
    finished.actions_by_words["Undo"].trigger()
    assert not any(row.by_hand for row in model.rows)
    assert ribbon.accessibleDescription().startswith(model.row(model.current).path.name)


def test_a_moved_limit_shows_what_would_turn_before_it_holds(qtbot, finished, ribbon):
    model, controller = finished.controller.model, finished.controller
    before = {row.path: row.rejected for row in model.rows}
    handle = ribbon.handles()[0]
    place = handle.place.toPoint()
    qtbot.mousePress(ribbon, LEFT, pos=place)
    qtbot.mouseMove(ribbon, place + QPoint(0, 400))
    qtbot.mouseRelease(ribbon, LEFT, pos=place + QPoint(0, 400))
    assert model.trial_changes, "a limit at the bottom of the curve turns verdicts"
    assert {row.path: row.rejected for row in model.rows} == before
    assert finished.bar.apply.isVisible()
    assert "would reject" in finished.bar._words.text()
    turned = set(model.trial_changes)
    finished.bar.apply.click()
    assert {row.path for row in model.rows if row.rejected} == turned
    assert not finished.bar.apply.isVisible()
    assert controller.session.limits != Limits()
    finished.actions_by_words["Limits as they come with the program"].trigger()
    finished.bar.apply.click()
    assert controller.session.limits == Limits()
    assert {row.path: row.rejected for row in model.rows} == before


def test_a_moved_limit_can_be_put_back(finished):
    controller = finished.controller
    controller.try_limit("fwhm_px", 0.5, None)
    assert controller.model.trial_changes
    finished.bar.drop.click()
    assert not controller.model.trial_changes
    assert controller.session.limits == Limits()


def test_every_measure_can_be_drawn(finished, choices):
    for index in range(finished.bar.measure.count()):
        finished.bar.measure.setCurrentIndex(index)
        finished.bar.ribbon.grab()
    assert choices.text("measure", "") == finished.bar.measure.currentData()


def test_states_differ_in_form_without_colour(qapp):  # noqa: ARG001
    from PySide6.QtCore import QRectF
    from PySide6.QtGui import QImage, QPainter

    from stackbench.window.look import LIGHT

    kept = Cell(hue=QColor("black"))
    states = [
        kept,
        replace(kept, rejected=True),
        replace(kept, judged=False),
        replace(kept, doubtful=True),
        replace(kept, by_hand=True),
        replace(kept, rejected=True, doubtful=True),
        replace(kept, chosen=True),
        replace(kept, current=True),
        replace(kept, would_turn=True),
    ]
    drawn = set()
    for state in states:
        image = QImage(40, 40, QImage.Format.Format_Grayscale8)
        image.fill(255)
        painter = QPainter(image)
        draw_cell(painter, LIGHT, QRectF(10, 10, 14, 18), state)
        painter.end()
        drawn.add(bytes(image.constBits()))
    assert len(drawn) == len(states)
