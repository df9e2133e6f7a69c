"""Decisions beside the event loop: their order, their failures, and what is not heard any more."""

import threading
from dataclasses import replace
from functools import partial

import pytest

from stackbench.job.store import Decision, StoreError
from stackbench.review.limits import Limits
from stackbench.window.changes import Changes
from tests.support.settling import settle


@pytest.fixture
def changes(qapp):  # noqa: ARG001
    changes = Changes()
    yield changes
    changes.close()


def test_changes_are_made_one_after_the_other_in_another_thread(qtbot, changes):
    heard, threads = [], set()

    def change(number):
        threads.add(threading.get_ident())
        return number

    with qtbot.waitSignal(changes.settled):
        for number in range(5):
            changes.begin(lambda number=number: change(number), heard.append)
        assert changes.under_way
        assert heard == []
    assert heard == list(range(5))
    assert not changes.under_way
    assert len(threads) == 1
    assert threading.get_ident() not in threads


def test_a_change_that_fails_is_told_and_the_next_is_made(qtbot, changes):
    told, heard = [], []
    changes.refused.connect(told.append)

    def fail():
        raise StoreError("the store is full")

    with qtbot.waitSignal(changes.settled):
        changes.begin(fail, heard.append)
        changes.begin(lambda: "done", heard.append)
    assert told == ["the store is full"]
    assert heard == ["done"]


def test_what_was_begun_before_leaving_is_done_but_not_heard(qtbot, changes):
    done, heard = [], []
    go_on = threading.Event()
    changes.begin(lambda: done.append(go_on.wait(10)), heard.append)
    changes.begin(lambda: done.append("second"), heard.append)
    go_on.set()
    changes.clear()
    assert done == [True, "second"]
    assert not changes.under_way
    qtbot.wait(50)
    assert heard == []


def test_decisions_in_quick_succession_are_undone_one_by_one(qtbot, finished):
    deciding, model = finished.controller.deciding, finished.controller.model
    path = model.rows[0].path
    for decision in (Decision.REJECT, Decision.KEEP, None):
        deciding.decide([path], decision)  # none of them is judged yet
    settle(qtbot, finished)
    assert not model.row(path).by_hand
    seen = []
    for _ in range(3):
        deciding.undo()
        settle(qtbot, finished)
        row = model.row(path)
        seen.append((row.by_hand, row.rejected))
    assert seen == [(True, False), (True, True), (False, False)]


def test_moved_limits_are_undone_and_leave_other_settings_alone(qtbot, finished):
    controller, actions = finished.controller, finished.actions_by_words
    before = controller.session.limits
    controller.try_limit("fwhm_px", 1.0, None)
    settle(qtbot, finished)
    finished.bar.apply.click()
    settle(qtbot, finished)
    moved = controller.session.limits
    assert moved != before
    assert any(row.rejected for row in controller.model.rows)
    assert actions["Undo"].text() == "Undo: move 1 limit"
    other = replace(moved, stars_min=3)
    controller.change(partial(controller.session.set_limits, other))  # as the settings do
    settle(qtbot, finished)
    actions["Undo"].trigger()
    settle(qtbot, finished)
    assert controller.session.limits == replace(before, stars_min=3)
    assert not any(row.rejected for row in controller.model.rows)
    actions["Redo"].trigger()
    settle(qtbot, finished)
    assert controller.session.limits == other


def test_limits_undone_at_once_leave_settings_that_are_on_their_way(qtbot, finished):
    controller = finished.controller
    before = controller.session.limits
    controller.try_limit("fwhm_px", 1.0, None)
    controller.apply_trial()
    settle(qtbot, finished)
    other = replace(controller.session.limits, stars_min=3)
    go_on = threading.Event()
    controller.changes.begin(lambda: go_on.wait(10), lambda _: None)
    controller.set_settings(controller.session.settings.model_copy(update={"review": other}))
    controller.deciding.undo()
    go_on.set()
    settle(qtbot, finished)
    assert controller.session.limits == replace(before, stars_min=3)


def test_a_decision_is_in_the_stacks_that_are_begun_at_once(qtbot, finished):
    controller = finished.controller
    deciding, rows = controller.deciding, controller.model.rows
    deciding.decide([rows[0].path], Decision.REJECT)
    settle(qtbot, finished)
    deciding.decide([rows[1].path], Decision.REJECT)
    with qtbot.waitSignal(controller.finished, timeout=60_000):
        controller.restack()
    settle(qtbot, finished)
    assert controller.model.state.stale == ()
    used = {sub.frame.path for one in controller.model.state.stacks for sub in one.recipe.subs}
    assert not used & {rows[0].path, rows[1].path}


def test_limits_can_be_tried_again_after_a_question_that_failed(qtbot, finished, monkeypatch):
    controller = finished.controller

    def fail(limits):  # noqa: ARG001
        raise StoreError("the store is gone")

    with monkeypatch.context() as patched:
        patched.setattr(controller.session, "what_if", fail)
        controller.try_limit("fwhm_px", 0.5, None)
        settle(qtbot, finished)
    assert "the store is gone" in finished.notice.text()
    controller.try_limit("fwhm_px", 0.6, None)
    settle(qtbot, finished)
    assert controller.model.trial_changes
    assert controller.session.limits == Limits()


def test_many_moves_of_a_limit_end_with_the_last(qtbot, finished, monkeypatch):
    controller = finished.controller
    asked = []
    what_if = controller.session.what_if
    monkeypatch.setattr(
        controller.session, "what_if", lambda limits: asked.append(limits) or what_if(limits)
    )
    for number in range(30):
        controller.try_limit("fwhm_px", 3.0 - number / 12, None)
    settle(qtbot, finished)
    assert len(asked) == 2, "the first, and the last of the others"
    assert asked[-1] == controller.trial.limits
    assert controller.model.trial_changes
