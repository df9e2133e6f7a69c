"""What happened in the night, linked to the ribbon and the subs concerned."""

import shutil
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from PySide6.QtCore import QPointF, Qt
from PySide6.QtWidgets import QApplication, QLabel, QPushButton

from stackbench.calibration.sets import evening
from stackbench.frames.records import Problem
from stackbench.job.progress import Step
from stackbench.job.store import Decision
from stackbench.window.stepbar import FINDINGS, NIGHT
from stackbench.window.subwords import sub_line
from tests.support.jobs import run_night
from tests.support.make_sample import FOLDER
from tests.support.observed import Faults, observed_camera
from tests.support.settling import settle

LONG = 60_000
BUMP, CLOUD = "Wicker_Nebula_Ha_004.fits", "Wicker_Nebula_L_008.fits"


@pytest.fixture(scope="module")
def sample_out(tmp_path_factory):
    """Give the output of a run on the sample night, to be copied."""
    out = tmp_path_factory.mktemp("findings") / "sample"
    run_night(FOLDER, out=out)
    return out


@pytest.fixture
def sampled(qtbot, window, sample_out, tmp_path):
    """Give a window in which the sample night was taken up, with its findings."""
    out = tmp_path / "out"
    shutil.copytree(sample_out, out, copy_function=shutil.copy2)
    with qtbot.waitSignal(window.controller.finished, timeout=LONG):
        window.controller.open([FOLDER], out)
    qtbot.waitUntil(lambda: window.controller.findings.found is not None, timeout=LONG)
    return window


def names(paths):
    return {path.name for path in paths}


def told(page):
    QApplication.processEvents()  # a layout shows what is new to it by and by
    return "\n".join(one.text() for one in page.findChildren(QLabel) if one.isVisible())


def test_findings_are_there_before_the_night_is_stacked(qtbot, window, sample_out, tmp_path):
    out = tmp_path / "out"
    shutil.copytree(sample_out, out, copy_function=shutil.copy2)
    shutil.rmtree(out / "stacks")

    def stop_at(reading):
        if reading.step is Step.STACK:
            window.stop()

    window.controller.progressed.connect(stop_at)
    with qtbot.waitSignal(window.controller.stopped, timeout=LONG):
        window.controller.open([FOLDER], out)
    window.go_to(FINDINGS)
    qtbot.waitUntil(lambda: window.findings.list.count() == 2, timeout=LONG)
    assert window.controller.model.state.night is None
    assert "It is told when the channels are stacked" in told(window.findings)


def test_findings_are_told_with_evidence_confidence_and_remedy(sampled):
    page = sampled.findings
    assert sampled.steps.words()[3] == "Findings (2)"
    sampled.go_to(FINDINGS)
    first, second = (page.list.item(row).text() for row in range(2))
    assert first == "A single trailed sub at 22:27 UTC\nTracking, likely, 1 sub"
    assert second.startswith("Cloud from 22:51 to 22:53 UTC\nWeather, ")
    page.list.setCurrentRow(1)
    text = told(page)
    assert "stars lost 66 % of their light (1.18 mag)" in text
    assert "Likely: another cause may look alike" in text
    assert "Subs that lost more than about a third are better left out" in text


def test_advice_and_earlier_nights_stand_below(sampled):
    sampled.go_to(FINDINGS)
    text = told(sampled.findings)
    assert text.index("Evidence") < text.index("What to do next")
    for words in (
        "more make S/N 1.5 times better",
        "Next above 30° in the dark on 2031-11-15",
        "Against earlier nights",
        "FWHM",
    ):
        assert words in text


def test_choosing_one_marks_its_subs_its_time_and_its_measure(qtbot, sampled, choices):
    page, model, ribbon = sampled.findings, sampled.controller.model, sampled.bar.ribbon
    assert ribbon.bracket() is None
    sampled.go_to(FINDINGS)
    assert names(model.chosen) == {BUMP}, "the first is looked at"
    assert ribbon.measure.name == "eccentricity"
    page.list.setFocus()
    qtbot.keyClick(page.list, Qt.Key.Key_Down)
    assert names(model.chosen) == {CLOUD}
    assert ribbon.measure.name == "transparency"
    (path,) = model.chosen
    cell = ribbon.cell_of(path)
    bracket = ribbon.bracket()
    assert bracket.left() == pytest.approx(cell.left(), abs=3)
    assert bracket.right() == pytest.approx(cell.right(), abs=3)
    assert choices.text("measure", "fwhm_px") == "fwhm_px", "the person chose no measure"


def test_the_marks_of_a_finding_can_be_seen_without_colours(sampled):
    ribbon = sampled.bar.ribbon
    sampled.go_to(FINDINGS)
    bracket = ribbon.bracket()
    with_bar = (
        ribbon.grab().toImage().convertToFormat(ribbon.grab().toImage().Format.Format_Grayscale8)
    )
    middle = QPointF(bracket.center().x(), bracket.top() - 1.5).toPoint()
    marked = with_bar.pixelColor(middle).lightness()
    sampled.controller.findings.mark(None)
    without = ribbon.grab().toImage().pixelColor(middle).lightness()
    assert abs(marked - without) > 100


def test_enter_looks_at_the_first_sub_in_review_and_keys_decide(qtbot, sampled):
    page, model = sampled.findings, sampled.controller.model
    sampled.go_to(FINDINGS)
    page.list.setFocus()
    qtbot.keyClick(page.list, Qt.Key.Key_Down)
    qtbot.keyClick(page.list, Qt.Key.Key_Return)
    assert sampled.pages.currentWidget() is sampled.review
    assert model.current.name == CLOUD
    assert names(model.chosen) == {CLOUD}
    sampled.actions_by_words["Keep"].trigger()
    settle(qtbot, sampled)
    row = model.row(model.current)
    assert row.by_hand
    assert not row.rejected
    sampled.go_to(FINDINGS)
    qtbot.waitUntil(lambda: page.list.count() == 2, timeout=LONG)
    assert page.shown.cause == "cloud"
    assert "As of the last stacking, without what was decided" in told(page)


def test_the_button_looks_at_the_first_sub(qtbot, sampled):
    sampled.go_to(FINDINGS)
    qtbot.mouseClick(sampled.findings.look, Qt.MouseButton.LeftButton)
    assert sampled.pages.currentWidget() is sampled.review
    assert sampled.controller.model.current.name == BUMP


def test_another_choice_takes_the_marks_away_and_a_button_brings_them_back(qtbot, sampled):
    page, model = sampled.findings, sampled.controller.model
    sampled.go_to(FINDINGS)
    assert not page.mark.isEnabled()
    model.choose([model.rows[0].path])
    assert sampled.controller.findings.marked is None
    assert sampled.bar.ribbon.bracket() is None
    sampled.go_to(NIGHT)
    sampled.go_to(FINDINGS)
    assert model.chosen == {model.rows[0].path}, "what the person chose stays"
    qtbot.mouseClick(page.mark, Qt.MouseButton.LeftButton)
    assert names(model.chosen) == {BUMP}
    assert sampled.bar.ribbon.bracket() is not None


def test_a_finding_about_the_whole_night_is_bracketed_but_chooses_nothing(sampled):
    findings, model = sampled.controller.findings, sampled.controller.model
    whole = replace(
        findings.found[0],
        cause="drift",
        subs=tuple(row.path for row in model.rows),
        start=None,
        end=None,
    )
    findings.mark(whole)
    assert findings.concerns_all(whole)
    assert model.chosen == frozenset(), "one key must not reject the night"
    bracket, night = sampled.bar.ribbon.bracket(), sampled.bar.ribbon._room.night()
    assert bracket.left() == pytest.approx(night.left(), abs=1)
    assert bracket.right() == pytest.approx(night.right(), abs=1)


def test_what_bias_frames_tell_of_the_camera_is_told_too(qtbot, sampled):
    model = sampled.controller.model
    camera = observed_camera(
        np.random.default_rng(1),
        Faults(bias_adu_h=8.0),
        lights=tuple(row.path for row in model.rows),
    )
    model.show(replace(model.state, cameras=(camera,)))
    sampled.go_to(FINDINGS)
    qtbot.waitUntil(lambda: sampled.findings.list.count() == 3, timeout=LONG)
    sampled.findings.list.setCurrentRow(2)
    text = told(sampled.findings)
    assert "The camera's zero level rose by 7." in text
    assert "20 bias frames from 17:30 to 18:27 UTC" in text
    assert "take bias frames and darks next to the lights" in text
    # the ribbon shows lights: before them there is nothing to bracket but those concerned
    first = min(row.frame.time for row in model.rows)
    assert sampled.findings.shown.end < first
    assert sampled.controller.findings.span_of(sampled.findings.shown)[0] == first


def test_a_decision_has_the_night_looked_through_again(qtbot, sampled):
    findings, model = sampled.controller.findings, sampled.controller.model
    sampled.controller.findings.mark(findings.found[0])
    sampled.controller.deciding.undo_stack.clear()
    before = findings._key
    sampled.actions_by_words["Keep"].trigger()
    settle(qtbot, sampled)
    assert findings._key != before
    assert findings.asked
    assert findings.found, "the ones before stay until the others come"
    qtbot.waitUntil(lambda: not findings.asked, timeout=LONG)
    assert findings.marked in findings.found
    sampled.controller.deciding.undo()
    settle(qtbot, sampled)
    assert findings._key == before
    assert not findings.asked, "known already"
    assert names(model.chosen) == {BUMP}


def test_the_night_page_leads_to_a_finding(sampled):
    sampled.go_to(NIGHT)
    buttons = sampled.summary.findChildren(QPushButton)
    look = next(one for one in buttons if "Cloud from" in one.toolTip())
    look.click()
    assert sampled.pages.currentWidget() is sampled.findings
    assert sampled.findings.shown.cause == "cloud"
    assert names(sampled.controller.model.chosen) == {CLOUD}


def test_a_quiet_night_is_told_kindly(qtbot, finished):
    finished.go_to(FINDINGS)
    qtbot.waitUntil(lambda: finished.controller.findings.found is not None, timeout=LONG)
    assert finished.controller.findings.found == ()
    assert not finished.findings.list.isVisible()
    text = told(finished.findings)
    assert "A quiet night" in text
    assert "Nothing stands out" in text
    assert "What to do next" in text
    assert not finished.findings.look.isVisible()
    assert finished.steps.words()[3] == "Findings"


def test_problems_are_pointed_to_where_the_subs_are_quiet(qtbot, finished):
    model = finished.controller.model
    problem = Problem(what="no flat fits", why="there is none", remedy="take some")
    problems = tuple(replace(problem, what=f"no flat fits {name}") for name in "ABCDEF")
    finished.go_to(FINDINGS)
    qtbot.waitUntil(lambda: finished.controller.findings.found is not None, timeout=LONG)
    model.show(replace(model.state, problems=(*problems, problems[0])))
    text = told(finished.findings)
    assert "A quiet night" not in text
    assert "optics and camera did what they should" not in text
    assert "The Frames page has 6 things to look at" in text
    finished.go_to(NIGHT)
    text = told(finished.summary)
    assert "6 things to look at" in text
    assert text.count("No flat fits") == 4
    assert "and 2 more on the Frames page" in text


def test_subs_of_several_nights_are_named_with_their_evening(qtbot, finished):
    deciding, model = finished.controller.deciding, finished.controller.model
    row = model.rows[0]
    assert "night of" not in sub_line(row, model)
    deciding.decide([row.path], Decision.REJECT)
    settle(qtbot, finished)
    group, *others = model.state.groups
    first, *subs = group.subs
    later = replace(first.frame, time=first.frame.time + timedelta(days=2))
    group = replace(
        group,
        group=replace(group.group, frames=(*group.group.frames[1:], later)),
        subs=(*subs, replace(first, frame=later)),
    )
    model.show(replace(model.state, groups=(group, *others)))
    row = model.row(later.path)
    date = evening(later).isoformat()
    assert f"night of {date}" in sub_line(row, model)
    finished.go_to(NIGHT)
    assert f"{date}, {row.path.name}: " in told(finished.summary)


def test_another_night_forgets_the_findings(sampled):
    sampled.controller.close()
    assert sampled.controller.findings.found is None
    assert sampled.bar.ribbon.bracket() is None


def test_every_part_can_be_told_by_name(sampled):
    sampled.go_to(FINDINGS)
    assert sampled.findings.accessibleName() == "Findings"
    assert sampled.findings.list.accessibleName() == "Findings in order of time"
    assert "Findings" in {words.split(" (")[0] for words in sampled.steps.words()}
    assert sampled.actions_by_words[FINDINGS].shortcut().toString() == "Ctrl+4"
