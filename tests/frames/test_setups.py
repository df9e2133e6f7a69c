"""One focal length for one optical train."""

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.header import frame_from_header
from stackbench.frames.records import PixelLayout
from stackbench.frames.setups import with_common_focal_lengths


def frame(length, *, telescope="Long reflector", camera="Mono 16"):
    cards = {"INSTRUME": camera, "TELESCOP": telescope, "FOCALLEN": length}
    return frame_from_header(
        {key: value for key, value in cards.items() if value is not None},
        path=Path("light.fits"),
        size_bytes=1,
        modified_ns=1,
        layout=PixelLayout(hdu=0, shape=(4, 4), bitpix=16, data_offset=2880),
    )


def lengths(*frames):
    return [one.setup.focal_length_mm for one in with_common_focal_lengths(frames)]


def test_lengths_fitted_frame_by_frame_become_one():
    # A plate solution's focal length in every light of a night; the flat has none.
    fitted = [frame(2004.2), frame(2003.8), frame(2006.1), frame(None), frame(2004.2)]
    assert lengths(*fitted) == [2004.2, 2004.2, 2004.2, None, 2004.2]
    found = with_common_focal_lengths(fitted)
    assert found[0].setup == found[1].setup == found[2].setup
    assert found[3] is fitted[3]


def test_trains_that_differ_stay_apart():
    # With a reducer; another telescope; another camera.
    assert lengths(frame(2000.0), frame(1480.0)) == [2000.0, 1480.0]
    assert lengths(frame(500.0), frame(501.0, telescope="Short")) == [500.0, 501.0]
    assert lengths(frame(500.0), frame(501.0, camera="Mono 26")) == [500.0, 501.0]
    assert lengths() == []


@given(st.lists(st.floats(50, 5000) | st.none(), max_size=30))
def test_any_night(stated):
    given_frames = [frame(one) for one in stated]
    found = with_common_focal_lengths(given_frames)
    assert with_common_focal_lengths(found) == found
    values = sorted({one.setup.focal_length_mm for one in found} - {None})
    for low, high in pairwise(values):
        assert high > 1.01 * low
    for before, after in zip(given_frames, found, strict=True):
        assert (before.setup.focal_length_mm is None) == (after.setup.focal_length_mm is None)
        if before.setup.focal_length_mm is None:
            continue
        # thirty steps of 1 % at most
        assert after.setup.focal_length_mm == pytest.approx(before.setup.focal_length_mm, rel=0.35)
