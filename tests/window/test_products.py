"""Masters, stacks and channels as they are shown."""

import itertools
import re
import shutil
import time
from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import QPointF
from PySide6.QtWidgets import QLabel

from stackbench.job.library import Library, default_library
from stackbench.job.store import Decision
from stackbench.window.errands import Errands
from stackbench.window.histogramview import _beside
from stackbench.window.stackspage import DIFFERENCE
from stackbench.window.stepbar import CHANNELS, MASTERS, NIGHT, REVIEW, STACKS
from tests.support.settling import settle

TIMEOUT = 20_000


def shown(qtbot, view):
    qtbot.waitUntil(lambda: view._item.isVisible() and not view.words, timeout=TIMEOUT)
    return view._item.pixmap().toImage()


def look_closely(qtbot, view):
    """Enlarge beyond the averaged picture and wait for its pixels."""
    view.fit()
    view.look_at(QPointF(view.centre), 6.0)
    qtbot.waitUntil(view._detail.isVisible, timeout=TIMEOUT)
    return view._detail.pixmap().toImage()


def test_masters_show_their_picture_numbers_histogram_and_frames(qtbot, finished):
    finished.go_to(MASTERS)
    page = finished.masters
    assert not shown(qtbot, page.products.view).isNull()
    assert [one.kind for one, _ in page.masters] == ["bias", "dark", "flat", "flat"]
    assert page.frames.count() == 6

    def facts():
        return dict(page.facts.facts)

    qtbot.waitUntil(lambda: "Gain" in facts(), timeout=TIMEOUT)
    assert "e⁻" in facts()["Read noise, from pairs"]
    assert "±" in facts()["Gain"]
    assert [mark.words for mark in page.histogram.marks] == ["1 %", "median", "99 %"]
    page.products.pick(1)
    bad = page.masters[1][1].facts.defects
    assert bad.hot > 0
    sorts = ("Hot pixels", "Cold pixels", "Unstable pixels", "In odd columns")
    counts = [facts()[words] for words in sorts]
    assert counts == [str(one) for one in (bad.hot, bad.cold, bad.unstable, bad.column)]
    assert facts()["Serves"] == "10 lights and 8 flats"
    page.products.pick(0)
    assert facts()["Serves"] == "8 flats", "the bias of the lights is inside their darks"
    page.products.pick(2)
    assert facts()["Serves"] == "5 lights"
    assert "Hot pixels" not in facts()
    assert "Dim pixels" in facts()
    qtbot.waitUntil(lambda: "Vignetting" in facts(), timeout=TIMEOUT)
    assert page.frames.count() == 4
    assert "Pixels by value" in page.histogram.accessibleName()
    assert "marks: 1 %" in page.histogram.accessibleDescription()


def test_words_of_a_mark_stand_where_no_other_line_passes_through_them():
    room = (0.0, 300.0)
    # the next line is 30 px to the right: words 40 px wide go to the left
    assert _beside(100.0, 40.0, [100.0, 130.0], room) == 58.0
    assert _beside(130.0, 40.0, [100.0, 130.0], room) == 132.0
    # no room at the left, then at the right, then at either side
    assert _beside(20.0, 40.0, [20.0, 40.0], room) == 22.0
    assert _beside(290.0, 40.0, [290.0], room) == 248.0
    assert _beside(20.0, 280.0, [20.0], room) == 0.0


def test_masters_appear_while_others_are_still_made(qtbot, window, night, tmp_path, monkeypatch):
    from stackbench.job import mastermaking

    make, turn = mastermaking.make_master, itertools.count()

    def unhurried(*arguments, **options):
        # those that end within one telling of the states (30 ms) are seen together
        time.sleep(0.2 * next(turn))
        return make(*arguments, **options)

    monkeypatch.setattr(mastermaking, "make_master", unhurried)
    seen = []
    window.controller.model.changed.connect(
        lambda: seen.append((len(window.masters.masters), window.controller.working))
    )
    with qtbot.waitSignal(window.controller.finished, timeout=60_000):
        window.controller.open([night], tmp_path / "out")
        qtbot.waitUntil(lambda: len(window.masters.masters) > 0, timeout=60_000)
        window.go_to(MASTERS)
        shown(qtbot, window.masters.products.view)
    counts = [count for count, working in seen if working]
    assert counts == sorted(counts)
    assert any(0 < count < 4 for count in counts)
    assert counts[-1] == 4


def test_a_night_without_lights_does_not_promise_any(qtbot, window, night, tmp_path):
    folder = tmp_path / "calibration only"
    shutil.copytree(night, folder, ignore=shutil.ignore_patterns("lights"))
    assert window.bar.ribbon._without_lanes() == "The night will be drawn here."
    with qtbot.waitSignal(window.controller.finished, timeout=60_000):
        window.controller.open([folder], tmp_path / "out")
    assert window.bar.ribbon._without_lanes() == "There are no light frames to draw."
    window.go_to(STACKS)
    assert window.stacks.products.view.words == "Nothing was stacked; the Frames page tells why."
    window.go_to(CHANNELS)
    assert window.channels.products.view.words == "Without a stack there is no channel."
    with qtbot.waitSignal(window.controller.finished, timeout=60_000):
        window.controller.go_on()  # nothing is said to be missing while work goes on
        assert window.channels.products.view.words != "Without a stack there is no channel."
    assert window.channels.products.view.words == "Without a stack there is no channel."
    window.go_to(REVIEW)
    assert not window.review.next.isEnabled()
    assert not window.review.previous.isEnabled()
    window.go_to(NIGHT)
    titles = [one.text() for one in window.summary.findChildren(QLabel)]
    assert "No light frames" in titles
    assert "No light frames yet" not in titles


def test_a_frame_left_out_of_a_master_is_marked_with_its_reason(qtbot, window, night, tmp_path):
    spoilt = tmp_path / "night"
    shutil.copytree(night, spoilt)
    path = sorted(spoilt.rglob("*bias*"))[2]
    data = bytearray(path.read_bytes())
    # the pixels become brighter by 256 ADU each: far from the level of the set
    first = len(data) - 320 * 240 * 2 - (-320 * 240 * 2) % 2880
    pixels = np.frombuffer(bytes(data[first : first + 320 * 240 * 2]), dtype=">i2") + 256
    data[first : first + 320 * 240 * 2] = pixels.astype(">i2").tobytes()
    path.write_bytes(data)
    with qtbot.waitSignal(window.controller.finished, timeout=60_000):
        window.controller.open([spoilt], tmp_path / "out")
    window.go_to(MASTERS)
    page = window.masters
    assert "5 frames, 1 left out" in page.products._items.stringList()[0]
    first_item = page.frames.item(0).text()
    assert path.name in first_item
    assert "left out, its level is" in first_item
    assert [page.frames.item(n).text()[0] for n in range(6)] == ["✕", *"✓✓✓✓✓"]


@pytest.mark.parametrize("layer", range(5))
def test_every_layer_of_a_stack_can_be_seen(qtbot, finished, layer):
    finished.go_to(STACKS)
    page = finished.stacks
    page.layers.button(layer).click()
    image = shown(qtbot, page.products.view)
    assert (image.width(), image.height()) == (320, 240)
    assert "5 subs" in page.products.words.text()


def test_the_noise_by_number_of_subs_is_shown_without_holding_up_the_window(qtbot, finished):
    finished.go_to(STACKS)
    page = finished.stacks
    qtbot.waitUntil(lambda: page.noise.curve is not None, timeout=TIMEOUT)
    assert page.noise.curve.counts == (1, 2, 3, 4, 5)
    assert "One more sub would take away" in page.noise_words.text()
    assert re.match(r"Noise now \d+\.\d\d ADU ", page.noise_words.text()), "as below the picture"
    first = page.noise.curve
    page.products.pick(1)
    qtbot.waitUntil(lambda: page.noise.curve is not first, timeout=TIMEOUT)
    # it stands at the right place: twice as far right for four times as many
    one, four = page.noise.place(1, 1).x(), page.noise.place(4, 1).x()
    assert page.noise.place(2, 1).x() == pytest.approx((one + four) / 2)


def test_what_doubtful_subs_would_change_is_a_layer(qtbot, finished):
    finished.go_to(STACKS)
    page, errands = finished.stacks, finished.controller.errands
    page.layers.button(DIFFERENCE).click()
    assert "no difference to show" in page.products.view.words
    row = finished.controller.model.rows[0]
    finished.controller.deciding.decide([row.path], Decision.REJECT)
    settle(qtbot, finished)
    page.products.pick(row.lane)
    assert page.stop.isVisible()
    qtbot.waitUntil(lambda: "middle grey is nothing" in page.products.words.text(), timeout=TIMEOUT)
    assert shown(qtbot, page.products.view).isGrayscale()
    assert "What 1 doubtful sub would" in page.products.words.text()
    assert "→" in page.products.words.text()
    assert not page.stop.isVisible()
    # back to the rules: the answer is there, and other work gives up what is asked
    finished.controller.deciding.undo_stack.undo()
    settle(qtbot, finished)
    assert "no difference to show" in page.products.view.words
    finished.controller.deciding.decide(
        [row.path, finished.controller.model.rows[2].path], Decision.REJECT
    )
    settle(qtbot, finished)
    with qtbot.waitSignal(finished.controller.finished, timeout=60_000):
        finished.controller.restack()
        assert not page.stop.isVisible()
    qtbot.waitUntil(lambda: not errands._under_way, timeout=TIMEOUT)


def test_the_difference_can_be_stopped(qtbot, finished):
    finished.go_to(STACKS)
    page, errands = finished.stacks, finished.controller.errands
    row = finished.controller.model.rows[0]
    finished.controller.deciding.decide([row.path], Decision.REJECT)
    settle(qtbot, finished)
    page.products.pick(row.lane)
    page.layers.button(DIFFERENCE).click()
    page.stop.click()
    assert page.layers.checkedId() == 0
    assert not page.stop.isVisible()
    qtbot.waitUntil(lambda: not errands._under_way, timeout=TIMEOUT)
    shown(qtbot, page.products.view)


def test_channels_switch_in_place_and_show_colour(qtbot, finished):
    finished.go_to(CHANNELS)
    page = finished.channels
    first = shown(qtbot, page.products.view)
    view = page.products.view
    view.look_at(QPointF(120, 90), 4.0)
    place = (view.zoom, view.centre.x(), view.centre.y())
    with qtbot.waitSignal(finished.controller.pictures.ready, timeout=TIMEOUT):
        page.products.pick(1)
    second = shown(qtbot, view)
    assert second.size() == first.size()
    assert second != first
    assert (view.zoom, view.centre.x(), view.centre.y()) == place, "no jump"
    assert not page._table.isVisible()
    page.colour.setChecked(True)
    qtbot.waitUntil(lambda: not view._item.pixmap().toImage().isGrayscale(), timeout=TIMEOUT)
    assert (view.zoom, view.centre.x(), view.centre.y()) == place, "no jump"
    assert [choice.currentText() for choice in page.choices] == ["R", "L", "L"]
    page.choices[0].setCurrentIndex(0)
    qtbot.waitUntil(lambda: view._item.pixmap().toImage().isGrayscale(), timeout=TIMEOUT)
    page.colour.setChecked(False)
    qtbot.waitUntil(lambda: view._item.pixmap().toImage().isGrayscale(), timeout=TIMEOUT)


def test_the_colours_are_of_the_target_that_is_picked(finished):
    model, page = finished.controller.model, finished.channels
    first, second = model.state.channels

    def other(channel, filter_name):
        recipe = channel.stack.recipe
        group = replace(recipe.group, target="Thimble Cluster", filter=filter_name)
        return replace(channel, stack=replace(channel.stack, recipe=replace(recipe, group=group)))

    others = (other(first, "Ha"), other(second, "OIII"))
    model.show(replace(model.state, channels=(first, second, *others)))
    finished.go_to(CHANNELS)
    page.colour.setChecked(True)

    def offered():
        return [[one.itemText(n) for n in range(one.count())] for one in page.choices]

    for number, filters, chosen in (
        (0, ["L", "R"], ["R", "L", "L"]),
        (2, ["Ha", "OIII"], ["Ha", "OIII", "OIII"]),
        (1, ["L", "R"], ["R", "L", "L"]),
    ):
        page.products.pick(number)
        assert offered() == [filters] * 3
        assert [one.currentText() for one in page.choices] == chosen
        assert len(page.products._wanted) == 3


@pytest.mark.parametrize("colour", [False, True])
def test_single_pixels_are_fetched_when_a_picture_is_enlarged(qtbot, finished, monkeypatch, colour):
    monkeypatch.setattr("stackbench.job.pictures.WIDEST", 80)
    from stackbench.job import pictures

    monkeypatch.setattr(
        "stackbench.window.productpage.product_picture",
        lambda path, **options: pictures.product_picture(path, **options, widest=80),
    )
    finished.go_to(CHANNELS)
    page = finished.channels
    page.colour.setChecked(colour)
    image = shown(qtbot, page.products.view)
    assert image.width() <= 80
    detail = look_closely(qtbot, page.products.view)
    assert detail.isGrayscale() is not colour
    # as many pixels as are seen, at six screen pixels each
    wide = page.products.view.viewport().width() / 6
    assert detail.width() == pytest.approx(min(wide, 320), abs=3)


def test_the_noise_of_every_stack_is_written_to_the_same_decimal(qtbot, finished):
    model = finished.controller.model
    noises = (12.21, 7.0)
    model.show(
        replace(
            model.state,
            stacks=tuple(
                replace(one, facts=replace(one.facts, noise_adu=noise))
                for one, noise in zip(model.state.stacks, noises, strict=True)
            ),
        )
    )
    finished.go_to(NIGHT)
    words = [one.text() for one in finished.summary.findChildren(QLabel)]
    assert {"12.21 ADU", "7.00 ADU"} <= set(words)
    finished.go_to(STACKS)
    finished.stacks.products.pick(1)
    qtbot.waitUntil(lambda: "noise 7.00 ADU" in finished.stacks.products.words.text())


def test_files_are_named_and_their_folder_opened(finished, monkeypatch):
    opened = []
    monkeypatch.setattr(finished.beside, "_open", opened.append)
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


def test_an_errand_that_fails_says_so_and_others_go_on(qtbot):
    errands = Errands()
    failures = []
    errands.failed.connect(lambda key, words: failures.append((key, words)))

    def refuse(progress, stop):  # noqa: ARG001
        raise OSError(13, "not allowed", "stack.fits")

    errands.ask("bad", refuse)
    with qtbot.waitSignal(errands.answered, timeout=TIMEOUT):
        errands.ask("good", lambda _progress, _stop: 7)
    qtbot.waitUntil(lambda: bool(failures), timeout=TIMEOUT)
    assert errands.get("good") == 7
    assert failures[0][0] == "bad"
    assert "not allowed" in failures[0][1]
    errands.close()


def test_masters_are_kept_in_the_library_once(qtbot, finished):
    finished.go_to(MASTERS)
    page = finished.masters
    page.keep.click()
    qtbot.waitUntil(lambda: "4 masters added, 0 there already" in page.kept.text(), timeout=TIMEOUT)
    library = Library(default_library())
    # two are made at a time, so that their order is not always the same
    assert sorted(one.facts.kind for one in library.masters()) == ["bias", "dark", "flat", "flat"]
    page.keep.click()
    assert len(library.masters()) == 4


def test_pages_that_nobody_sees_are_laid_out_when_they_are_shown(qtbot, finished, monkeypatch):
    laid_out = []
    for page in (finished.masters, finished.stacks, finished.channels):
        monkeypatch.setattr(page.products, "show_items", lambda _, page=page: laid_out.append(page))
    finished.go_to(NIGHT)
    row = finished.controller.model.rows[0]
    finished.controller.deciding.decide([row.path], Decision.REJECT)
    settle(qtbot, finished)
    assert laid_out == []
    for step, page in (
        (MASTERS, finished.masters),
        (STACKS, finished.stacks),
        (CHANNELS, finished.channels),
    ):
        finished.go_to(step)
        assert set(laid_out) == {page}
        laid_out.clear()


def test_a_page_scrolls_in_a_window_that_is_smaller_than_it(qtbot, finished):
    finished.resize(finished.minimumSize())
    for step in (MASTERS, REVIEW, STACKS, CHANNELS):
        finished.go_to(step)
        page = finished.pages.currentWidget()
        least = page.minimumSizeHint()
        qtbot.waitUntil(
            lambda page=page, least=least: (
                page.width() >= least.width() and page.height() >= least.height()
            )
        )
