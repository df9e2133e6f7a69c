"""What a session knows, decides and does again."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from stackbench.frames.records import Kind
from stackbench.frames.work import Cancelled
from stackbench.job.bench import WrongUseError, open_bench
from stackbench.job.movedlimits import MOVABLE, moved
from stackbench.job.pictures import product_picture
from stackbench.job.progress import Progress, Step
from stackbench.job.remembering import (
    forget_settings,
    is_output,
    propose_output,
    remember_settings,
    with_made_settings,
)
from stackbench.job.session import Session
from stackbench.job.settings import RegistrationOptions, Settings
from stackbench.job.store import Decision
from stackbench.rejection.methods import Method, Rejection
from stackbench.review.limits import Limits
from stackbench.stars.records import MeasureOptions
from tests.support.jobs import run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    simulate_night(folder, rng=np.random.default_rng(3), night=plan_small_night(lights=5))
    return folder


@pytest.fixture(scope="module")
def out(tmp_path_factory, night):
    folder = tmp_path_factory.mktemp("out")
    run_night(night, out=folder)
    return folder


@pytest.fixture
def session(night, out):
    with Session(out, [night], threads=2) as session:
        session.run()
        yield session
        session.decide(dict.fromkeys(session.decisions()))
        session.set_limits(Limits())


class Steps(Progress):
    def __init__(self):
        self.begun = []

    def begin(self, step, total):  # noqa: ARG002
        self.begun.append(step)


def sub_of(state, index=0, group=0):
    return state.groups[group].subs[index]


def test_a_state_is_heard_after_looking_after_every_master_and_after_judging(night, tmp_path):
    heard = []
    with Session(tmp_path, [night], threads=2) as session:
        last = session.run(hear=heard.append)
        # headers, whole files, four masters as they are written, those that are
        # when the last is made, and verdicts
        counts = [len(one.masters) for one in heard]
        assert counts == sorted(counts)
        assert len(counts) == 8
        assert set(counts[2:]) == {1, 2, 3, 4}
        assert [bool(one.groups) for one in heard] == [*[False] * 7, True]
        assert all(master.path.exists() for one in heard for _, master in one.masters)
        assert all(one.overview is not None for one in heard)
        assert heard[0].stacks == ()
        assert heard[-1].stale == (0, 1)
        (camera,) = heard[-1].cameras
        assert [len(one.times) for one in camera.biases] == [
            sum(frame.kind is Kind.BIAS for frame in last.frames)
        ]
        assert [s.recipe.group.filter for s in last.stacks] == ["L", "R"]
        assert last.stale == ()
        assert last.night is not None


def test_a_decision_puts_its_stack_out_of_date_and_restacking_mends_that(session):
    state = session.state
    name = sub_of(state).frame.path
    before = [stack.recipe.key for stack in state.stacks]
    state = session.decide({name: Decision.REJECT})
    assert not sub_of(state).kept
    assert state.stale == (0,)
    assert session.decisions() == {name: Decision.REJECT}
    steps = Steps()
    state = session.restack(progress=steps)
    assert steps.begun == [Step.STACK, Step.EXPORT]
    after = [stack.recipe.key for stack in state.stacks]
    assert (before[0] != after[0], before[1] == after[1], state.stale) == (True, True, ())
    state = session.decide({name: None})
    assert sub_of(state).kept
    assert state.stale == (0,)


def test_other_limits_are_tried_before_they_hold(session):
    group = session.state.groups[0]
    widths = sorted(sub.measures.fwhm_px for sub in group.subs)
    limits = replace(session.limits, fwhm_max_px=(widths[-1] + widths[-2]) / 2)
    tried, changes = session.what_if(limits)
    assert group.subs[0] in session.state.groups[0].subs, "trying changes nothing"
    assert all(change.before.decision != change.after.decision for change in changes)
    assert len([c for c in changes if c.path in {s.frame.path for s in group.subs}]) == 1
    state = session.set_limits(limits)
    assert state.groups == tried
    assert 0 in state.stale


def test_reopening_brings_back_results_decisions_and_limits(night, tmp_path):
    with Session(tmp_path, [night], threads=2) as session:
        session.run()
        name = sub_of(session.state).frame.path
        session.decide({name: Decision.REJECT})
        limits = replace(Limits(), fwhm_max_px=99.0)
        session.set_limits(limits)
        session.restack()
        first = session.state
    assert is_output(tmp_path)
    with Session(tmp_path, threads=2) as session:
        assert session.limits == limits
        again = session.run()
    verdicts = [[sub.verdict for sub in group.subs] for group in again.groups]
    assert verdicts == [[sub.verdict for sub in group.subs] for group in first.groups]
    assert [s.recipe.key for s in again.stacks] == [s.recipe.key for s in first.stacks]


def test_a_session_keeps_other_jobs_out_of_its_folder(session):
    with (
        pytest.raises(WrongUseError, match="another job"),
        open_bench(session.out, settings=Settings()),
    ):
        pass


def test_a_session_cancelled_while_measuring_goes_on(night, tmp_path):
    with Session(tmp_path, [night], threads=1) as session:
        steps = Steps()
        with pytest.raises(Cancelled):
            session.run(progress=steps, stop=lambda: Step.MEASURE in steps.begun)
        assert session.state.overview is not None
        assert session.state.groups == ()
        assert session.run().stale == ()


def test_a_folder_that_is_gone_is_told(tmp_path):
    with pytest.raises(WrongUseError, match="does not exist"):
        Session(tmp_path / "out", [tmp_path / "gone"])
    assert propose_output([tmp_path / "night"]).name == "night-stacked"
    disk = Path(tmp_path.anchor)
    assert propose_output([disk]) == disk / "stacked"


def test_pictures_of_subs_and_layers(session):
    frame = sub_of(session.state).frame
    picture = session.pictures.sub(frame, widest=100)
    assert picture.factor == 4
    assert picture.grey.shape == (60, 80)
    assert picture.shape == (240, 320)
    # the sky is dark grey, stars are white
    assert 10 < np.median(picture.grey) < 110
    assert picture.grey.max() > 200
    part = session.pictures.detail(frame, rows=(10, 60), columns=(20, 90), scale=picture.scale)
    assert part.grey.shape == (50, 70)
    whole = session.pictures.sub(frame, scale=picture.scale)
    np.testing.assert_array_equal(whole.grey[10:60, 20:90], part.grey)
    stack = session.state.stacks[0]
    coverage = product_picture(stack.path, extension="COVERAGE")
    assert coverage.scale.white == len(stack.recipe.subs)


@pytest.mark.parametrize("measure", MOVABLE)
def test_a_moved_limit_lies_where_it_was_moved_to(session, measure):
    for placed in session.state.groups[1].limits:
        if placed.measure != measure:
            continue
        value = placed.limit * (1.1 if placed.bad.value == "above" else 0.9)
        limits = moved(session.limits, measure=measure, value=value, typical=placed.typical)
        tried, _ = session.what_if(limits)
        again = [one for one in tried[1].limits if one.measure == measure]
        assert again[0].limit == pytest.approx(value)
        return
    assert measure == "transparency", "every other measure has a limit in any group"


def test_a_measure_without_limit_cannot_be_moved():
    with pytest.raises(ValueError, match="no limit"):
        moved(Limits(), measure="noise_adu", value=1.0, typical=1.0)


def test_headers_are_told_before_files_are_read_to_their_end(night, tmp_path):
    steps, heard = Steps(), []
    with Session(tmp_path / "out", [night], threads=1) as session, pytest.raises(Cancelled):
        session.run(
            progress=steps,
            hear=lambda state: heard.append((list(steps.begun), state)),
            stop=lambda: Step.MASTERS in steps.begun,
        )
    (first, early), (second, whole) = heard[:2]
    assert first == [Step.FIND]
    assert Step.CHECK in second
    assert early.overview.groups
    assert early.overview.groups == whole.overview.groups


def test_settings_made_in_a_session_mark_what_they_put_out_of_date_and_hold(night, tmp_path):
    with Session(tmp_path / "made", [night], threads=2) as session:
        session.run()
        assert session.state.outdated == ()
        settings = session.settings
        floats = settings.with_export(tiff="float32", stretch=None)
        state = session.set_settings(floats)
        assert (state.outdated, state.stale) == (("export",), ())
        assert session.restack().outdated == ()

        median = floats.model_copy(update={"stacking": Rejection(method=Method.MEDIAN)})
        state = session.set_settings(median)
        assert (state.outdated, state.stale) == ((), (0, 1))
        assert session.restack().stale == ()

        stars = median.model_copy(update={"stars": MeasureOptions(detect_snr=8.0)})
        state = session.set_settings(stars)
        assert (state.outdated, state.stale) == (("stars",), (0, 1))
        steps = Steps()
        state = session.restack(progress=steps)
        assert Step.MEASURE in steps.begun
        assert (state.outdated, state.stale) == ((), ())
        # back to what the measures were made with: nothing is to be done
        session.set_settings(median)
        assert session.set_settings(stars).outdated == ()
    with Session(tmp_path / "made", threads=2) as session:
        assert session.settings == stars
        assert session.set_settings(Settings()).outdated == ()
    with Session(tmp_path / "made", threads=2) as session:
        assert session.settings == Settings()


def test_what_is_set_otherwise_at_the_command_line_wins_over_the_window(tmp_path):
    made = Settings(registration=RegistrationOptions(model="affine"), review=Limits(stars_min=9))
    with open_bench(tmp_path, settings=Settings()) as bench:
        remember_settings(bench.store, made)
    own = Settings(review=Limits(stars_min=7))
    with open_bench(tmp_path, settings=own) as bench:
        settings = with_made_settings(bench).settings
        assert settings.review.stars_min == 7
        assert settings.registration.model == "affine"
        forget_settings(bench.store)
        assert with_made_settings(bench).settings == own
