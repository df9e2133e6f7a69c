"""Kinds and filters set by hand."""

import pytest

from stackbench.frames.labels import Label, label_words, labelled
from stackbench.frames.records import Kind
from stackbench.frames.scan import scan_folders
from tests.support.fitsbytes import write_image


@pytest.fixture
def frame(tmp_path):
    write_image(tmp_path / "a.fits", IMAGETYP="LIGHT", FILTER="Red")
    (one,) = scan_folders([tmp_path]).frames
    return one


def test_what_a_label_leaves_open_stays_as_the_header_states_it(frame):
    now = labelled(frame, Label(kind=Kind.DARK))
    assert (now.kind, now.filter) == (Kind.DARK, "R")
    assert label_words(frame, now) == ("kind by hand: dark instead of light",)
    assert label_words(frame, labelled(frame, Label(kind=Kind.LIGHT))) == ()


@pytest.mark.parametrize(("said", "name"), [("H-alpha", "Ha"), ("no filter", None)])
def test_a_filter_gets_its_usual_name(frame, said, name):
    now = labelled(frame, Label(filter=said))
    assert now.filter == name
    assert label_words(frame, now) == (f"filter by hand: {name or 'none'} instead of R",)


def test_a_later_label_keeps_what_it_does_not_touch():
    earlier = Label(kind=Kind.FLAT, filter="R")
    assert Label(filter="B").over(earlier) == Label(kind=Kind.FLAT, filter="B")
    assert Label(kind=Kind.DARK).over(earlier) == Label(kind=Kind.DARK, filter="R")
    assert Label(kind=Kind.DARK).over(None) == Label(kind=Kind.DARK)
