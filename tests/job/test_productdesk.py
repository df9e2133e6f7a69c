"""What is told of masters and stacks to a person who looks at them."""

from dataclasses import replace

import numpy as np
import pytest

from stackbench.export.fits import read_image
from stackbench.frames.work import Cancelled, never
from stackbench.job.noisecurve import counts_of
from stackbench.job.pictures import product_detail, product_picture
from stackbench.job.progress import Progress
from stackbench.job.session import Session
from stackbench.job.store import Decision
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

LIGHTS = 8


@pytest.fixture(scope="module")
def session(tmp_path_factory):
    night = tmp_path_factory.mktemp("night")
    plan = plan_small_night(lights=LIGHTS, filters=("L",))
    simulate_night(night, rng=np.random.default_rng(7), night=plan)
    with Session(tmp_path_factory.mktemp("out"), [night], threads=2) as session:
        session.run()
        yield session


class Counting(Progress):
    def __init__(self):
        self.total = self.done = 0

    def begin(self, step, total):  # noqa: ARG002
        self.total = total

    def advance(self, step, pieces=1):  # noqa: ARG002
        self.done += pieces


def sheet_of(session, kind):
    return next(
        session.products.sheet(one, master)
        for one, master in session.state.masters
        if one.kind == kind
    )


def test_sheets_of_masters_tell_what_the_simulated_camera_is_like(session):
    sheet, camera = sheet_of(session, "bias")
    assert sheet.histogram.low < 500 < sheet.histogram.high
    assert sum(sheet.histogram.counts) + sheet.undefined <= 240 * 320
    assert camera.gain_error < 0.05 * camera.gain_e_per_adu
    flat, of_flat = sheet_of(session, "flat")
    assert of_flat == camera
    assert 0.02 < flat.vignetting < 0.6
    assert (flat.hot_from_adu, sheet.vignetting) == (None, None)
    dark, of_dark = sheet_of(session, "dark")
    assert of_dark is None
    assert dark.histogram.low < dark.hot_from_adu
    assert sheet_of(session, "dark")[0] == dark, "recalled as it was"


def test_counts_go_up_by_root_two():
    assert counts_of(1) == (1,)
    assert counts_of(8) == (1, 2, 3, 4, 6, 8)
    assert counts_of(100)[-2:] == (91, 100)


def test_noise_falls_with_the_root_of_the_number(session):
    stack = session.state.stacks[0]
    progress = Counting()
    curve = session.products.noise_curve(stack.recipe, progress=progress, stop=never)
    assert (progress.done, progress.total) == (LIGHTS, LIGHTS)
    assert curve.counts == (1, 2, 3, 4, 6, 8)
    assert (curve.columns, curve.rows) == (320, 240)
    wanted = curve.typical_adu / np.sqrt(curve.counts)
    # so many stars stand in this small field that their wings count as noise
    np.testing.assert_allclose(curve.noise_adu, wanted, rtol=0.12)
    assert curve.noise_adu[-1] == pytest.approx(stack.facts.noise_adu, rel=0.05)
    assert curve.gain_of_next == pytest.approx(1 - np.sqrt(8 / 9), abs=0.005)
    assert 3 * 8 - 2 <= curve.subs_to_halve <= 3 * 8 + 2
    again = session.products.noise_curve(stack.recipe, progress=Counting(), stop=lambda: True)
    assert again == curve, "recalled, so that nothing had to be stopped"


def test_a_noise_curve_is_stopped(session):
    recipe = replace(session.state.stacks[0].recipe, key="another")
    with pytest.raises(Cancelled):
        session.products.noise_curve(recipe, progress=Counting(), stop=lambda: True)


def test_what_the_doubtful_subs_do_is_the_difference_of_two_stacks(session):
    state = session.state
    assert session.products.doubt(state.groups[0]) is None, "none of a good night is doubtful"
    paths = [one.frame.path for one in state.groups[0].subs]
    all_of_them = read_image(state.stacks[0].path).image
    state = session.decide({paths[1]: Decision.REJECT, paths[4]: Decision.REJECT})
    doubt = session.products.doubt(state.groups[0])
    assert doubt.subs == (paths[1], paths[4])
    assert [len(one.subs) for one in (doubt.with_them, doubt.without)] == [LIGHTS, LIGHTS - 2]
    progress = Counting()
    with pytest.raises(Cancelled):
        session.products.difference(doubt, (), progress=Counting(), stop=lambda: True)
    found = session.products.difference(doubt, state.stacks, progress=progress, stop=never)
    assert (progress.done, progress.total) == (6, 6), "the stack of all is there already"
    state = session.restack()
    six = read_image(state.stacks[0].path).image
    change = read_image(found.path).image
    np.testing.assert_array_equal(change, all_of_them - six)
    assert found.without.noise_adu == pytest.approx(
        found.with_them.noise_adu * np.sqrt(8 / 6), rel=0.05
    )
    picture = product_picture(found.path, scale=found.scale)
    assert np.median(picture.grey) == pytest.approx(127, abs=3)
    part = product_detail(found.path, rows=(20, 90), columns=(7, 80), scale=found.scale)
    np.testing.assert_array_equal(part.grey, picture.grey[20:90, 7:80])
    assert session.products.difference(doubt, (), progress=Counting(), stop=never) is found
    session.decide(dict.fromkeys(paths))
    session.restack()
