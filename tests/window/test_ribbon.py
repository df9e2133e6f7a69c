"""Pointing, choosing and moving limits in the night ribbon."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import QPoint, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QContextMenuEvent, QImage, QPainter
from PySide6.QtWidgets import QMenu

from stackbench.job.skies import NO_SKY
from stackbench.review.limits import Limits
from stackbench.window.look import LIGHT
from stackbench.window.measures import measure_named
from stackbench.window.night import NightModel
from stackbench.window.ribboncells import Cell, draw_cells
from stackbench.window.ribboncurve import Curve
from stackbench.window.ribbonroom import Box
from tests.support.settling import settle

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
    settle(qtbot, finished)
    assert [row.rejected for row in model.rows[:4]] == [False, True, True, False]
    assert finished.actions_by_words["Undo"].text() == "Undo: reject 2 subs"
    finished.actions_by_words["Undo"].trigger()
    settle(qtbot, finished)
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
    settle(qtbot, finished)
    assert model.trial_changes, "a limit at the bottom of the curve turns verdicts"
    assert {row.path: row.rejected for row in model.rows} == before
    assert finished.bar.apply.isVisible()
    assert "would reject" in finished.bar._words.text()
    turned = set(model.trial_changes)
    finished.bar.apply.click()
    settle(qtbot, finished)
    assert {row.path for row in model.rows if row.rejected} == turned
    assert not finished.bar.apply.isVisible()
    assert controller.session.limits != Limits()
    finished.actions_by_words["Limits as they come with the program"].trigger()
    settle(qtbot, finished)
    finished.bar.apply.click()
    settle(qtbot, finished)
    assert controller.session.limits == Limits()
    assert {row.path: row.rejected for row in model.rows} == before


def test_keys_move_the_limit_of_the_current_sub(qtbot, finished, ribbon):
    model = finished.controller.model
    finished.bar.show_measure("fwhm_px")
    row = next(row for row in model.rows if row.lane == 1)
    finished.look_at(row.path)
    before = ribbon.handles()[1].value
    ribbon.setFocus()
    values = []
    for key in (Qt.Key.Key_Down, Qt.Key.Key_Down, Qt.Key.Key_Up):
        qtbot.keyClick(ribbon, key)
        settle(qtbot, finished)
        values.append(ribbon.handles()[1].value)
    assert before > values[0] > values[1] < values[2]
    assert finished.bar.apply.isVisible(), "it is tried, not applied"
    finished.bar.drop.click()
    assert ribbon.handles()[1].value == before
    finished.bar.show_measure("temperature_c")
    qtbot.keyClick(ribbon, Qt.Key.Key_Down)
    settle(qtbot, finished)
    assert not finished.bar.apply.isVisible(), "what has no limit moves none"


def test_a_limit_far_from_all_values_moves_from_where_it_lies(qtbot, finished, ribbon):
    finished.bar.show_measure("fwhm_px")
    room, held = ribbon._room.curve(), ribbon.handles()[0]
    known = [row.value("fwhm_px") for row in finished.controller.model.rows]
    assert held.value > max(known) + 2 * (max(known) - min(known))
    assert room.top() < held.place.y() < room.bottom()
    asked = []
    ribbon.limit_tried.connect(lambda _name, value, _typical: asked.append(value))
    place = held.place.toPoint()
    qtbot.mousePress(ribbon, LEFT, pos=place)
    qtbot.mouseMove(ribbon, place + QPoint(1, 2))
    qtbot.mouseRelease(ribbon, LEFT, pos=place + QPoint(1, 2))
    assert asked == [], "it was touched, not moved"
    ribbon.setFocus()
    qtbot.keyClick(ribbon, Qt.Key.Key_Up)
    qtbot.keyClick(ribbon, Qt.Key.Key_Down)
    assert asked[0] > held.value > asked[1]
    settle(qtbot, finished)


def test_a_limit_held_beside_its_middle_moves_by_as_much_as_the_pointer(qtbot, finished, ribbon):
    finished.bar.show_measure("fwhm_px")
    asked = []
    ribbon.limit_tried.connect(lambda _name, value, _typical: asked.append(value))
    held = max(ribbon.handles(), key=lambda handle: handle.place.y())
    per_pixel = ribbon._curve.value_at(held.place.y() - 1) - ribbon._curve.value_at(held.place.y())
    place = held.place.toPoint() + QPoint(0, 4)
    qtbot.mousePress(ribbon, LEFT, pos=place)
    qtbot.mouseMove(ribbon, place + QPoint(0, 8))
    qtbot.mouseRelease(ribbon, LEFT, pos=place + QPoint(0, 8))
    assert asked == [pytest.approx(held.value - 8 * per_pixel)]
    settle(qtbot, finished)


def test_a_moved_limit_can_be_put_back(qtbot, finished):
    controller = finished.controller
    controller.try_limit("fwhm_px", 0.5, None)
    settle(qtbot, finished)
    assert controller.model.trial_changes
    finished.bar.drop.click()
    assert not controller.model.trial_changes
    assert controller.session.limits == Limits()


def test_every_measure_can_be_drawn(finished):
    for index in range(finished.bar.measure.count()):
        finished.bar.measure.setCurrentIndex(index)
        finished.bar.ribbon.grab()


def test_the_curve_runs_from_the_first_to_the_last_sub(finished, ribbon):
    finished.bar.show_measure("fwhm_px")
    ribbon.grab()
    for lane, (line, marks) in enumerate(ribbon._curve._shapes):
        rows = [row for row in finished.controller.model.rows if row.lane == lane]
        first, last = (centre(ribbon, row).x() for row in (rows[0], rows[-1]))
        assert line.boundingRect().left() == pytest.approx(first, abs=2)
        assert line.boundingRect().right() == pytest.approx(last, abs=2)
        assert marks.boundingRect().width() == pytest.approx(last - first, abs=8)


@pytest.mark.parametrize(("odd", "out"), [(88.0, -7), (2.0, 7)], ids=["above", "below"])
def test_an_arrow_points_at_a_value_beyond_the_scale(finished, odd, out):
    like = finished.controller.model.rows[0]
    rows = [
        replace(
            like,
            frame=replace(like.frame, path=Path(f"{number}.fits")),
            altitude_deg=odd if number == 20 else 50.0 + number % 3,
        )
        for number in range(40)
    ]
    model = NightModel()
    model.rows, model.lanes = tuple(rows), finished.controller.model.lanes
    centres = {row.path: 20.0 + 10 * number for number, row in enumerate(rows)}
    room = QRectF(10, 20, 420, 84)
    curve = Curve(model, measure_named("altitude_deg"), room, centres)
    assert curve.beyond == {rows[20].path}
    image = QImage(440, 120, QImage.Format.Format_RGB32)
    image.fill(QColor(LIGHT.well))
    painter = QPainter(image)
    curve.draw(painter, LIGHT, gutter=10)
    painter.end()
    edge = room.top() + 6 if out < 0 else room.bottom() - 6
    x = round(centres[rows[20].path])
    assert image.pixelColor(x, round(edge) + out) == QColor(LIGHT.ink)
    assert image.pixelColor(x + 10, round(edge) + out) == QColor(LIGHT.well)


def test_lanes_of_a_target_with_a_long_name_are_told_apart(finished, ribbon, monkeypatch):
    model = finished.controller.model
    target = "Thimble Cluster of the South"
    monkeypatch.setattr(model, "several_targets", lambda: True)
    model.lanes = tuple(
        replace(lane, group=replace(lane.group, target=target)) for lane in model.lanes
    )
    bands = [ribbon._room.lane(number) for number in range(2)]
    image = ribbon.grab().toImage()
    heads = [image.copy(26, round(band.top()), 60, round(band.height())) for band in bands]
    assert heads[0] != heads[1]
    words = [ribbon.words_at(QPointF(40, band.center().y())) for band in bands]
    assert words == [f"L, {target}", f"R, {target}"]


def test_the_measure_that_was_chosen_is_remembered(qtbot, finished, choices):
    finished.bar.show_measure("fwhm_px")
    qtbot.keyClick(finished.bar.measure, Qt.Key.Key_Down)
    assert choices.text("measure", "") == finished.bar.measure.currentData() == "eccentricity"


def test_states_differ_in_form_without_colour(qapp):  # noqa: ARG001
    kept = Cell(box=Box(10, 10, 14, 18), hue=QColor("black"))
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
        draw_cells(painter, LIGHT, [state])
        painter.end()
        drawn.add(bytes(image.constBits()))
    assert len(drawn) == len(states)


def test_the_sky_is_told_of_every_sub_and_of_the_night(finished, ribbon):
    model = finished.controller.model
    row = model.rows[2]
    words = ribbon.words_at(centre(ribbon, row).toPointF())
    assert re.search(r"altitude \d+°, .*(night|twilight|day), Moon (down|\d+° high)", words)
    for measure in ("FWHM", "Eccentricity", "Transparency", "Sensor temperature", "Focus position"):
        assert f"{measure} " in words
    assert "% lit" in ribbon.words_at(QPointF(20, 28))
    assert "% lit" in ribbon.accessibleDescription(), "as long as no sub is looked at"
    between = (centre(ribbon, model.rows[0]) + centre(ribbon, model.rows[1])) / 2
    assert re.match(r"\d\d:\d\d UTC: ", ribbon.words_at(QPointF(between.x(), 28)))
    finished.look_at(row.path)
    assert "altitude" in ribbon.accessibleDescription()


def test_twilight_lightens_the_ribbon_and_the_moon_has_a_lane(finished, ribbon):
    model = finished.controller.model
    state, x = model.state, round(ribbon._room.x(0.5))

    def grey(sun_deg, y):
        moments = tuple(
            replace(one, sun_deg=sun_deg, moon_deg=80.0, moonlit=0.9) for one in state.sky.moments
        )
        model.show(replace(state, sky=replace(state.sky, moments=moments)))
        return ribbon.grab().toImage().pixelColor(x + 3, y).lightness()

    gap = round(ribbon._room.curve().top()) - 3  # below the lanes
    levels = [grey(sun_deg, gap) for sun_deg in (-30.0, -15.0, -9.0, -3.0, 5.0)]
    assert levels == sorted(set(levels)), "each phase lighter than the one before"
    lane = ribbon._room.sky_lane()
    assert grey(-30.0, round(lane.bottom()) - 4) != grey(-30.0, gap)


def test_without_a_site_it_is_said_why_the_sky_is_not_shown(finished, ribbon):
    model = finished.controller.model
    before = ribbon.sizeHint().height()
    model.show(replace(model.state, sky=NO_SKY))
    assert ribbon.sizeHint().height() < before
    assert "no site" in ribbon.accessibleDescription()
    assert "no site" in ribbon.words_at(QPointF(ribbon._room.x(0.5), 5))
    ribbon.grab()


def test_measures_known_for_no_sub_are_greyed_with_the_reason(finished):
    bar = finished.bar
    index = bar.measure.findData("ambient_temperature_c")
    assert not bar.measure.model().item(index).isEnabled()
    reason = bar.measure.itemData(index, Qt.ItemDataRole.ToolTipRole)
    assert reason == "Air temperature: the headers do not give it"
    for name in ("fwhm_px", "focus_position", "altitude_deg", "temperature_c"):
        assert bar.measure.model().item(bar.measure.findData(name)).isEnabled(), name


def test_the_menu_decides_on_what_was_chosen_by_dragging(qtbot, finished, ribbon):
    model = finished.controller.model
    lane = [row for row in model.rows if row.lane == 1]
    start, stop = centre(ribbon, lane[0]), centre(ribbon, lane[1])
    qtbot.mousePress(ribbon, LEFT, pos=start - QPoint(0, 3))
    qtbot.mouseMove(ribbon, stop - QPoint(20, 0))
    qtbot.mouseMove(ribbon, stop)
    qtbot.mouseRelease(ribbon, LEFT, pos=stop)
    asked = []
    ribbon.menu.connect(asked.append)
    ribbon.contextMenuEvent(QContextMenuEvent(QContextMenuEvent.Reason.Mouse, start, start))
    assert len(asked) == 1
    (menu,) = finished.findChildren(QMenu, options=Qt.FindChildOption.FindDirectChildrenOnly)
    actions = {one.text(): one for one in menu.actions()}
    actions["Reject"].trigger()
    settle(qtbot, finished)
    assert {row.path for row in model.rows if row.by_hand} == {row.path for row in lane[:2]}
    actions["Hand back to the rules"].trigger()
    settle(qtbot, finished)
    assert not any(row.by_hand for row in model.rows)
    menu.close()


def test_the_menu_key_leaves_the_choice_alone(finished, ribbon):
    model = finished.controller.model
    first, other = model.rows[0], model.rows[-1]
    model.set_current(first.path)
    asked = []
    ribbon.menu.disconnect(finished._decisions_menu)
    ribbon.menu.connect(asked.append)
    foreign = centre(ribbon, other)
    ribbon.contextMenuEvent(
        QContextMenuEvent(QContextMenuEvent.Reason.Keyboard, foreign, ribbon.mapToGlobal(foreign))
    )
    assert not model.chosen
    assert asked == [ribbon.mapToGlobal(centre(ribbon, first))]
