"""Going through the subs, and what is seen of them."""

from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QFont, QFontMetricsF

from stackbench.frames.errors import FrameError
from stackbench.frames.records import Problem
from stackbench.job.pictures import Picture
from stackbench.job.store import Decision
from stackbench.stars.zones import Zones
from stackbench.window.fieldview import FieldView
from stackbench.window.measures import MEASURES, measure_named
from stackbench.window.reviewpage import ReviewPage
from stackbench.window.stepbar import REVIEW
from stackbench.window.subwords import place_words, rank_words
from stackbench.window.zonesmap import _words_within, zone_words
from tests.support.settling import settle

TIMEOUT = 20_000


@pytest.fixture
def review(qtbot, finished):
    finished.go_to(REVIEW)
    page = finished.review
    qtbot.waitUntil(
        lambda: not page.pair.sub_view.words and page.pair.shown is not None, timeout=TIMEOUT
    )
    return page


def test_the_sub_is_shown_beside_the_best_of_its_filter(qtbot, finished, review):
    model = finished.controller.model
    row = next(r for r in model.rows if r.path != model.best_of(r.lane).path)
    finished.look_at(row.path)
    qtbot.waitUntil(lambda: review.pair.shown == row.path, timeout=TIMEOUT)
    assert model.best_of(row.lane).path.name in review.pair.best_title.text()
    assert review.pair.sub_view.zoom == pytest.approx(review.pair.best_view.zoom)
    sub, best = (review._pictures.get(one) for one in (row, model.best_of(row.lane)))
    assert sub.scale == best.scale, "one stretch for both"


def test_moving_and_enlarging_one_view_moves_the_other(qtbot, review):
    middle = review.pair.sub_view.viewport().rect().center()
    before = review.pair.best_view.zoom
    review.pair.sub_view.setFocus()
    qtbot.keyClick(review.pair.sub_view, Qt.Key.Key_Plus)
    assert review.pair.best_view.zoom > before
    qtbot.mousePress(review.pair.best_view.viewport(), Qt.MouseButton.LeftButton, pos=middle)
    qtbot.mouseMove(review.pair.best_view.viewport(), middle + QPointF(30, 20).toPoint())
    qtbot.mouseRelease(review.pair.best_view.viewport(), Qt.MouseButton.LeftButton, pos=middle)
    apart = review.pair.sub_view.centre - review.pair.best_view.centre
    assert abs(apart.x()) + abs(apart.y()) < 2
    qtbot.keyClick(review.pair.best_view, Qt.Key.Key_0)
    assert review.pair.sub_view.zoom == pytest.approx(before, rel=0.02)


def test_keys_go_through_the_list_and_decide(qtbot, finished, review):
    model = finished.controller.model
    paths = review.list.paths()
    finished.look_at(paths[0])
    finished.actions_by_words["Next in Review"].trigger()
    assert model.current == paths[1]
    review.reject.click()
    settle(qtbot, finished)
    assert model.row(paths[1]).rejected
    assert review.list.paths() == paths, "the list stays under the person's hands"
    assert "Rejected by hand" in [
        review.reasons._words.itemAt(0).widget().text(),
    ]
    review.back.click()
    settle(qtbot, finished)
    assert not model.row(paths[1]).by_hand
    finished.actions_by_words["Previous in Review"].trigger()
    assert model.current == paths[0]


def test_subs_are_listed_in_the_chosen_order(finished, review):
    review.order.setCurrentIndex(review.order.findData("fwhm_px"))
    model = finished.controller.model
    widths = [model.row(path).value("fwhm_px") for path in review.list.paths()]
    assert widths == sorted(widths)
    review.order.setCurrentIndex(review.order.findData("time"))
    assert review.list.paths() == [row.path for row in model.rows]
    offered = {review.order.itemData(index) for index in range(review.order.count())}
    assert offered == {"doubt", "time", *(one.name for one in MEASURES)}
    review.order.setCurrentIndex(review.order.findData("focus_position"))
    places = [model.row(path).value("focus_position") for path in review.list.paths()]
    known = [place for place in places if place is not None]
    assert known == sorted(known)
    assert places[: len(known)] == known, "what is not known comes last"


def test_the_order_that_was_chosen_is_remembered(qtbot, finished, review, choices):
    assert review.order.currentData() == review.list._order == "doubt"
    review.order.setFocus()
    qtbot.keyClick(review.order, Qt.Key.Key_Down)
    assert choices.text("order", "") == review.order.currentData() == "time"
    again = ReviewPage(finished.controller)
    qtbot.addWidget(again)
    assert again.order.currentData() == again.list._order == "time"


def test_star_shapes_are_drawn_where_the_stars_are(review):
    review.stars.setChecked(True)
    drawn = review.pair.sub_view._stars.childItems()
    assert len(drawn) > 20
    review.stars.setChecked(False)
    assert review.pair.sub_view._stars is None


def test_an_averaged_picture_asks_for_every_pixel_when_enlarged(qtbot):
    view = FieldView("test")
    qtbot.addWidget(view)
    view.resize(200, 150)
    view.show()
    grey = np.zeros((75, 100), dtype=np.uint8)
    asked = []
    view.detail_wanted.connect(asked.append)
    view.show_picture(Picture(grey=grey, factor=8, shape=(600, 800), scale=None))
    qtbot.wait(200)
    assert not asked or view.zoom * 8 >= 1.3
    asked.clear()
    with qtbot.waitSignal(view.detail_wanted) as wanted:
        view.look_at(QPointF(400, 300), 2.0)
    part = wanted.args[0]
    assert (part.center().x(), part.center().y()) == pytest.approx((400, 300), abs=2)
    assert part.width() == pytest.approx(100, abs=3)
    detail = np.zeros((part.height(), part.width()), dtype=np.uint8)
    view.show_detail(Picture(grey=detail, factor=1, shape=detail.shape, scale=None), part)
    assert view._detail.isVisible()
    place = view._detail.sceneBoundingRect()
    assert place.left() == pytest.approx(part.left() - 0.5)


def test_the_map_tells_the_shapes_of_nine_parts_for_both(qtbot, finished, review):
    model = finished.controller.model
    row = next(r for r in model.rows if r.path != model.best_of(r.lane).path)
    finished.look_at(row.path)
    qtbot.waitUntil(lambda: review.pair.shown == row.path, timeout=TIMEOUT)
    plain = review.pair.sub_view.grab().toImage()
    qtbot.keyClick(review, Qt.Key.Key_M)
    assert review.zones.isChecked()
    assert review.pair.sub_view.grab().toImage() != plain
    for view, one in (
        (review.pair.sub_view, row),
        (review.pair.best_view, model.best_of(row.lane)),
    ):
        zones = view._zones
        assert zones.count.sum() == np.isfinite(one.judged.sub.measures.stars.fwhm_px).sum()
        known = zones.fwhm_px[np.isfinite(zones.fwhm_px)]
        assert np.median(known) == pytest.approx(one.judged.measures.fwhm_px, rel=0.2)
    assert finished.controller.choices.text("zones", "no") == "yes", "remembered"
    qtbot.keyClick(review, Qt.Key.Key_M)
    assert review.pair.sub_view._zones is None


def test_small_pictures_fill_in_for_the_subs_that_are_seen(qtbot, review):
    seen = review.strip.rows_seen()
    assert seen
    qtbot.waitUntil(lambda: all(review.list.has_thumb(r.path) for r in seen), timeout=TIMEOUT)
    index = review.list.index(0)
    shown = review.list.data(index, Qt.ItemDataRole.DecorationRole)
    assert shown.cacheKey() != review.list._empty.cacheKey()


def test_a_value_is_told_with_its_place_among_those_of_its_filter(finished):
    model = finished.controller.model
    fwhm = measure_named("fwhm_px")
    lane = [row for row in model.rows if row.lane == 0]
    widest = max(lane, key=lambda row: row.value("fwhm_px"))
    assert rank_words(widest, fwhm, model) == f"{len(lane)}th of {len(lane)}"
    words = place_words(widest, fwhm, model)
    assert "100 % of the other" in words
    assert "the limit is" in words


def test_what_is_looked_at_next_is_fetched_ahead(qtbot, finished, review):
    paths, model = review.list.paths(), finished.controller.model
    finished.look_at(paths[0])
    after = model.row(paths[1])
    qtbot.waitUntil(lambda: review.fetched(after), timeout=TIMEOUT)
    finished.actions_by_words["Next in Review"].trigger()
    assert review.pair.shown == after.path, "shown at once"


def test_a_wide_page_becomes_narrow_again(qtbot, finished, review):
    finished.resize(1500, 900)
    settle(qtbot, finished)
    told = review.reasons
    assert told.minimumSizeHint().width() < told.layout().minimumSize().width(), "may leave out"
    finished.resize(finished.minimumSize())
    settle(qtbot, finished)
    assert told.minimumSizeHint().width() == told.layout().minimumSize().width(), "left out"
    assert review.width() <= review.parentWidget().width()


@pytest.mark.parametrize("side", [20, 40, 60, 90, 140, 300])
@pytest.mark.usefixtures("qapp")  # for its fonts
def test_words_of_the_field_map_stay_within_their_part_of_the_field(side):
    three = np.full((3, 3), 3.0)
    zones = Zones(
        fwhm_px=np.where(np.eye(3, dtype=bool), np.nan, three),
        eccentricity=three * 0.2,
        angle_deg=three * 40,
        count=np.full((3, 3), 9),
        left=0.0,
        bottom=0.0,
        width=900.0,
        height=900.0,
    )
    metrics = QFontMetricsF(QFont())
    cell = QRectF(0, 0, side, side)
    said = [_words_within(cell, metrics, zones, 0, i) for i in range(3)]
    for words in said:
        assert all(metrics.horizontalAdvance(line) < side for line in words)
    wanted = {300: (("too few stars",), zone_words(zones, 0, 1)), 20: ((), ())}
    if side in wanted:
        assert (said[0], said[1]) == wanted[side]
    assert said[1] == said[2]


def test_steps_end_at_the_first_and_the_last_sub_without_moving_the_focus(finished):
    finished.go_to(REVIEW)
    paths = finished.review.list.paths()
    finished.look_at(paths[-1])
    finished.review.next.setFocus()
    finished.review.next.click()
    assert finished.controller.model.current == paths[-1]
    assert finished.review.next.isEnabled()


def test_pictures_are_made_anew_by_other_masters_and_measures(qtbot, finished, review):
    controller = finished.controller
    path = controller.model.best_of(0).path
    finished.look_at(path)
    pictures = review._pictures

    def picture():
        return pictures.get(controller.model.row(path))

    qtbot.waitUntil(lambda: picture() is not None, timeout=TIMEOUT)
    before = picture()
    controller.deciding.decide([path], Decision.KEEP)
    settle(qtbot, finished)
    assert picture() is before, "a decision changes no picture"
    settings = controller.session.settings
    stars = replace(settings.stars, max_stars=60)
    controller.set_settings(settings.model_copy(update={"stars": stars}))
    settle(qtbot, finished)
    with qtbot.waitSignal(controller.finished, timeout=3 * TIMEOUT):
        controller.restack()
    qtbot.waitUntil(lambda: picture() is not None, timeout=TIMEOUT)
    assert picture() is not before
    assert review.pair._shown_keys[0] == (pictures.key(controller.model.row(path)), path)


def test_a_best_sub_that_cannot_be_read_is_told_and_the_others_are_shown(
    qtbot, finished, review, monkeypatch
):
    model, session = finished.controller.model, finished.controller.session
    make, best = session.pictures.sub, model.best_of(1)

    def sub(frame, **options):
        if frame.path == best.path:
            raise FrameError(
                Problem(path=None, what="The sub is gone", why="it was moved", remedy="Look for it")
            )
        return make(frame, **options)

    monkeypatch.setattr(session.pictures, "sub", sub)
    finished.controller.edition += 1  # nothing is kept from before
    first, other = (
        next(r for r in model.rows if r.lane == lane and r.path != model.best_of(lane).path)
        for lane in (0, 1)
    )
    finished.look_at(first.path)
    qtbot.waitUntil(lambda: review.pair._shown_keys[0][1] == first.path, timeout=TIMEOUT)
    finished.look_at(other.path)
    assert review.pair.sub_view.words or review.pair.shown == other.path, "none of another filter"
    assert review.pair.best_view.words
    qtbot.waitUntil(lambda: review.pair._shown_keys[0][1] == other.path, timeout=TIMEOUT)
    assert not review.pair.sub_view.words
    assert "The sub is gone" in review.pair.best_view.words


def test_small_pictures_are_made_anew_where_subs_are_calibrated_otherwise(qtbot, finished, review):
    path = finished.controller.model.current
    qtbot.waitUntil(lambda: review.list.has_thumb(path), timeout=TIMEOUT)
    finished.controller.edition += 1
    review.refresh()
    assert not review.list.has_thumb(path)
    qtbot.waitUntil(lambda: review.list.has_thumb(path), timeout=TIMEOUT)
