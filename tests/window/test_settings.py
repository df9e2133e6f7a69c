"""Settings in words: read, refused with a reason, kept for a night or for new ones."""

import dataclasses
import itertools
import shutil

import pytest
from PySide6.QtCore import Qt

from stackbench.job.session import Session
from stackbench.job.settings import PlanningOptions, Settings, settings_of
from stackbench.rejection.methods import Method
from stackbench.window.dressing import dress
from stackbench.window.look import LIGHT
from stackbench.window.settingvalues import faults_of, nested, values_of
from stackbench.window.settingwords import PARTS
from tests.support.settling import settle

LONG = 60_000


def fill(dialog, path, text):
    """Write a value as a person does."""
    form = dialog.forms[[part.name for part in PARTS].index(path.split(".")[0])]
    editor = form.editor(path)
    editor.setText(text)
    editor.textEdited.emit(text)


def pick(dialog, path, value):
    form = dialog.forms[[part.name for part in PARTS].index(path.split(".")[0])]
    editor = form.editor(path)
    editor.setCurrentIndex(editor.findData(value))


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.name)
def test_no_two_settings_of_a_part_are_called_alike(part):
    names = [one.words for one in part.settings]
    assert len(set(names)) == len(names)


def test_every_setting_of_a_job_is_in_the_window():
    paths = set()
    for name in Settings.model_fields:
        part = getattr(Settings(), name)
        for field in dataclasses.fields(part):
            value = getattr(part, field.name)
            inside = (
                [f".{one.name}" for one in dataclasses.fields(value)]
                if (dataclasses.is_dataclass(value))
                else [""]
            )
            paths |= {f"{name}.{field.name}{one}" for one in inside}
    assert set(values_of(Settings())) == paths
    assert settings_of(nested(values_of(Settings()))) == Settings()


def test_a_limit_that_is_turned_off_stays_off():
    values = values_of(Settings()) | {"review.sky.factor": None}
    made = settings_of(nested(values))
    assert made.review.sky is None
    assert values_of(made) == values


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("masters.low", 0.5, "must be from 1 to 10"),
        ("stars.box_px", 8, "must be at least 16"),
        ("stars.box_px", "wide", "“wide” is no whole number"),
        ("stars.detect_snr", None, "must not be empty"),
        ("stars.count_snr", 5.0, "must not be less than that of the faintest found"),
        ("review.fwhm.loosest", 1.2, "must not be less than what is kept in any case"),
        ("review.stars.tightest", 0.2, "must not be below what is rejected"),
        ("review.transparency.loosest", 1.4, "must be from 0 to 1"),
    ],
)
def test_what_cannot_be_is_told_in_words(path, value, words):
    assert faults_of(values_of(Settings()) | {path: value}) == {path: words}


def test_a_place_takes_both_latitude_and_longitude():
    values = values_of(Settings()) | {"planning.latitude_deg": 46.3}
    assert list(faults_of(values)) == ["planning.longitude_deg"]
    values |= {"planning.longitude_deg": -8.7}
    assert faults_of(values) == {}
    assert settings_of(nested(values)).planning.site is not None


def test_what_the_window_allows_the_job_takes():
    for path, value in values_of(Settings()).items():
        setting = next(one for part in PARTS for one in part.settings if one.path == path)
        for bound in (setting.least, setting.most):
            if isinstance(value, bool | str) or value is None or bound == float("inf"):
                continue
            values = values_of(Settings()) | {path: type(value)(bound)}
            if not faults_of(values):
                settings_of(nested(values))


def test_a_wrong_value_is_shown_where_it_is_and_nothing_is_kept(qtbot, finished):
    dialog = finished.beside.show_settings()
    fill(dialog, "stars.detect_snr", "two")
    dialog.parts.setCurrentRow(0)
    dialog.save.click()
    settle(qtbot, finished)
    assert dialog.isVisible()
    assert dialog.parts.currentItem().text() == "Stars"
    assert "✕" in dialog.words.text()
    told = dialog.forms[2].findChildren(type(dialog.words))
    assert any("“two” is no number" in one.text() and one.isVisible() for one in told)
    assert finished.controller.session.settings == Settings()
    dialog.reset.click()
    dialog.save.click()
    settle(qtbot, finished)
    assert finished.controller.session.settings == Settings()


def test_other_stacking_puts_all_stacks_out_of_date_and_is_remembered_there(qtbot, finished):
    controller = finished.controller
    keys = [stack.recipe.key for stack in controller.model.state.stacks]
    dialog = finished.beside.show_settings()
    pick(dialog, "stacking.method", "median")
    assert "Stacking changed" in dialog.words.text()
    dialog.save.click()
    settle(qtbot, finished)
    assert "2 stacks out of date" in finished.strip.words
    with qtbot.waitSignal(controller.finished, timeout=LONG):
        finished.strip.restack.click()
        assert finished.strip.words == "Beginning"
    assert not set(keys) & {stack.recipe.key for stack in controller.model.state.stacks}
    assert not finished.strip.isVisible()
    assert controller.choices.settings() == Settings(), "new nights begin as before"
    out = controller.out
    finished.close()
    with Session(out) as session:
        assert session.settings.stacking.method is Method.MEDIAN


def test_other_measuring_is_done_again_by_the_same_button(qtbot, finished):
    dialog = finished.beside.show_settings()
    fill(dialog, "stars.detect_snr", "8,5")
    dialog.save.click()
    settle(qtbot, finished)
    assert "Stars" in finished.strip.words
    with qtbot.waitSignal(finished.controller.finished, timeout=LONG):
        finished.strip.restack.click()
    assert finished.controller.session.settings.stars.detect_snr == 8.5
    assert finished.controller.model.state.outdated == ()


def test_other_files_are_written_again_without_stacking(qtbot, finished):
    out = finished.controller.out
    before = {path: path.stat().st_size for path in (out / "channels").glob("*.tif")}
    dialog = finished.beside.show_settings()
    pick(dialog, "export.tiff", "float32")
    dialog.save.click()
    settle(qtbot, finished)
    assert "channels" in finished.strip.words.lower()
    with qtbot.waitSignal(finished.controller.finished, timeout=LONG):
        finished.strip.restack.click()
    assert all(path.stat().st_size > 1.5 * size for path, size in before.items())
    assert not finished.strip.isVisible()


def test_new_nights_begin_with_what_was_kept_for_them(qtbot, window, night, tmp_path):
    dialog = window.beside.show_settings()
    fill(dialog, "review.fwhm_max_px", "9")
    dialog.program.threads.setValue(1)
    dialog.program.place.setText(str(tmp_path))
    dialog.save.click()
    settle(qtbot, window)
    assert window.controller.choices.threads() == 1
    window.add_nights([night])
    assert window.start.output.text() == str(tmp_path / "night-stacked")
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.start.begin.click()
    assert window.controller.session.limits.fwhm_max_px == 9.0
    assert window.controller.model.state.stale == ()
    # an output folder keeps what it was made with
    dialog = window.beside.show_settings()
    dialog.scope.setCurrentIndex(1)
    dialog.parts.setCurrentRow(3)
    dialog.reset.click()
    dialog.save.click()
    settle(qtbot, window)
    assert window.controller.choices.settings() == Settings()
    assert window.controller.session.limits.fwhm_max_px == 9.0


def test_saving_leaves_what_was_decided_meanwhile_and_rounds_nothing(qtbot, finished):
    controller = finished.controller
    site = PlanningOptions(latitude_deg=46.3000066, longitude_deg=-8.704954)
    controller.set_settings(controller.session.settings.model_copy(update={"planning": site}))
    settle(qtbot, finished)
    dialog = finished.beside.show_settings()
    assert dialog.words.text() == ""
    handle = finished.bar.ribbon.handles()[0]
    controller.try_limit("fwhm_px", handle.value * 1.2345678912, handle.typical)
    controller.apply_trial()
    settle(qtbot, finished)
    moved = controller.session.limits
    fill(dialog, "stars.detect_snr", "8.5")
    dialog.save.click()
    settle(qtbot, finished)
    assert controller.session.limits == moved
    assert controller.session.settings.planning == site
    assert controller.session.settings.stars.detect_snr == 8.5


def test_what_was_edited_for_a_night_that_is_left_is_not_dropped_in_silence(
    qtbot, finished, night, worked, tmp_path
):
    controller = finished.controller
    first = controller.out
    dialog = finished.beside.show_settings()
    assert finished.beside.show_settings() is dialog
    fill(dialog, "stars.detect_snr", "8.5")
    other = tmp_path / "other"
    shutil.copytree(worked, other, copy_function=shutil.copy2)
    with qtbot.waitSignal(controller.finished, timeout=LONG):
        controller.open([night], other)
    dialog.save.click()
    assert dialog.isVisible()
    assert "not open any more" in dialog.words.text()
    with qtbot.waitSignal(controller.finished, timeout=LONG):
        controller.open([night], first)
    dialog.save.click()
    settle(qtbot, finished)
    assert controller.session.settings.stars.detect_snr == 8.5


def test_a_folder_for_output_that_is_not_there_is_refused(qtbot, window, tmp_path):
    dialog = window.beside.show_settings()
    dialog.program.place.setText(str(tmp_path / "gone"))
    dialog.save.click()
    settle(qtbot, window)
    assert dialog.isVisible()
    assert "gone is no folder" in dialog.words.text()
    assert window.controller.choices.output_place() is None


def test_a_folder_of_nobody_is_refused_in_words(window, night):
    dialog = window.beside.show_settings()
    dialog.program.place.setText("~nobodyhere/x")
    dialog.save.click()
    assert "~nobodyhere/x is no folder" in dialog.words.text()
    dialog.reject()
    begun = []
    window.start.begun.disconnect()
    window.start.begun.connect(lambda *what: begun.append(what))
    window.add_nights([night])
    window.start.output.setText("~nobodyhere/x")
    window.start.begin.click()
    assert not begun
    assert "whole path" in window.start._words.text()


def test_return_begins(qtbot, window, night):
    begun = []
    window.start.begun.disconnect()
    window.start.begun.connect(lambda *what: begun.append(what))
    window.add_nights([night])
    for one in (window.start.begin, window.start.output):
        qtbot.keyClick(one, Qt.Key.Key_Return)
    assert len(begun) == 2


def test_settings_that_cannot_be_read_any_more_are_those_of_the_program(choices):
    choices.keep_text("settings", '{"stars": {"no_such_setting": 3}}')
    choices.keep_text("threads", "many")
    assert choices.settings() == Settings()
    assert choices.threads() is None


def test_every_form_is_seen_to_its_right_end(qtbot, window):
    window.resize(1280, 800)
    dialog = window.beside.show_settings()
    settle(qtbot, window)
    for number, form in enumerate(dialog.forms):
        dialog.parts.setCurrentRow(number)
        settle(qtbot, window)
        assert form.minimumSizeHint().width() <= form.parentWidget().width(), form
    dialog.reject()


def test_settings_opened_before_the_night_do_not_stand_for_it(qtbot, window, night, tmp_path):
    before = window.beside.show_settings()
    with qtbot.waitSignal(window.controller.finished, timeout=60_000):
        window.controller.open([night], tmp_path / "out")
    dialog = window.beside.show_settings()
    assert dialog is not before
    assert dialog.scope.count() == 2
    assert window.beside.show_settings() is dialog


def test_the_parts_of_the_settings_do_not_lie_on_one_another(qapp, window):
    dress(qapp, LIGHT)
    parts = window.beside.show_settings().parts
    tops = [parts.visualItemRect(parts.item(row)) for row in range(parts.count())]
    for above, below in itertools.pairwise(tops):
        assert below.top() >= above.bottom()
    assert min(rect.height() for rect in tops) >= parts.sizeHintForRow(0)
