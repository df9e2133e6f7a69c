"""Angles in every form that headers hold; astropy.coordinates as the outside reader."""

import math

import pytest
from astropy.coordinates import Angle
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.angles import (
    declination_deg,
    field_deg,
    latitude_deg,
    longitude_deg,
    right_ascension_deg,
    sexagesimal,
)


@pytest.mark.parametrize(
    "form", ["{}:{}:{:.4f}", "{} {} {:.4f}", "{}h{}m{:.4f}s", " {}h {}m {:.4f}"]
)
@pytest.mark.parametrize(("h", "m", "s"), [(0, 0, 0), (5, 35, 17.3), (23, 59, 59.9999)])
def test_right_ascension_in_hours(form, h, m, s):
    outside = Angle(f"{h}h{m}m{s:.4f}s").deg
    assert right_ascension_deg(form.format(h, m, s)) == pytest.approx(outside, abs=1e-9)


@pytest.mark.parametrize(
    ("value", "degrees"),
    [
        (331.0334, 331.0334),
        ("331.0334", 331.0334),
        (" 22:04:08", 331.0333333333),
        ("83d49m19s", 83.8219444444),
        (360, 0.0),
        (400.0, None),
        (-1.0, None),
        ("25:00:00", None),
        ("05:60:00", None),
        ("M 51", None),
        (None, None),
        (True, None),
    ],
)
def test_right_ascension_forms(value, degrees):
    assert right_ascension_deg(value) == (
        None if degrees is None else pytest.approx(degrees, abs=1e-9)
    )


def test_right_ascension_as_number_of_hours():
    assert right_ascension_deg(5.5, in_hours=True) == 82.5


@pytest.mark.parametrize(
    ("value", "degrees"),
    [
        ("-00:55:31", -(55 / 60 + 31 / 3600)),  # the sign of a zero
        ("+41 16 09", 41.2691666667),
        ("-5.391", -5.391),
        ("41d16m09s", 41.2691666667),
        ("41°16'09\"", 41.2691666667),
        ("12:30", 12.5),
        (-90, -90.0),
        (90.1, None),
        ("95:00:00", None),
    ],
)
def test_declination_forms(value, degrees):
    assert declination_deg(value) == (None if degrees is None else pytest.approx(degrees, abs=1e-9))


@pytest.mark.parametrize(
    ("value", "degrees"),
    [
        ("-96:27:11.8008", -96.453278),
        ("96:27:11.8008 W", -96.453278),
        ("W 96 27 11.8008", -96.453278),
        ("12.5E", 12.5),
        (263.546722, -96.453278),
        (180.0, 180.0),
        (0.1, 0.1),
        ("12.5 N", None),
        (361.0, None),
        ("somewhere", None),
    ],
)
def test_longitude_forms(value, degrees):
    assert longitude_deg(value) == (None if degrees is None else pytest.approx(degrees, abs=1e-9))


def test_longitude_that_counts_westwards():
    assert longitude_deg("96:30:00", west_positive=True) == -96.5


@pytest.mark.parametrize(
    ("value", "degrees"),
    [("+46:52:00.408", 46.86678), ("33 56 S", -33.9333333333), ("12.5 E", None), (91, None)],
)
def test_latitude_forms(value, degrees):
    assert latitude_deg(value) == (None if degrees is None else pytest.approx(degrees, abs=1e-9))


@given(st.floats(-89.999, 89.999))
def test_written_by_astropy_and_read_back(angle):
    for separator in (":", " ", "fromunit"):
        written = Angle(angle, "deg").to_string(sep=separator, precision=6)
        assert declination_deg(written) == pytest.approx(angle, abs=1e-9)


@given(st.text(max_size=20))
def test_no_text_breaks_the_readers(words):
    value = sexagesimal(words)
    assert value is None or abs(value) < 1001
    assert (ra := right_ascension_deg(words)) is None or 0 <= ra < 360
    assert (dec := declination_deg(words)) is None or -90 <= dec <= 90
    assert (lat := latitude_deg(words)) is None or -90 <= lat <= 90
    assert (lon := longitude_deg(words)) is None or -180 <= lon <= 180


def test_the_field_of_view_of_a_refractor():
    # 6248 × 4176 pixels of 3.76 µm behind 530 mm, 2 atan(N p / 2 f): derived; N times the
    # scale would give 2.539660° × 1.697443°
    scale = math.degrees(3.76e-3 / 530) * 3600
    assert scale == pytest.approx(1.463313, abs=1e-6)
    assert field_deg(6248, scale_arcsec_px=scale) == pytest.approx(2.539245, abs=1e-6)
    assert field_deg(4176, scale_arcsec_px=scale) == pytest.approx(1.697318, abs=1e-6)
