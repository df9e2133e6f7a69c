"""Times: FITS Standard 3.0 section 4.4.2.1, and 4.0 section 9 (numbers from memory)."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.records import CameraSetup, Frame, Kind, PixelLayout, Setup
from stackbench.frames.times import mid_exposure, parsed_time, start_time


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def light(**facts):
    shape = (4, 5)
    return Frame(
        path=Path("a.fits"),
        size_bytes=1,
        modified_ns=1,
        kind=Kind.LIGHT,
        layout=PixelLayout(hdu=0, shape=shape, bitpix=16, data_offset=2880),
        setup=Setup(camera=CameraSetup(shape=shape)),
        **facts,
    )


def test_worked_example():
    start = start_time({"DATE-OBS": "2024-02-29T23:59:59.5"}, 300.0)
    assert start == utc(2024, 2, 29, 23, 59, 59, 500_000)
    assert Time(start).mjd == pytest.approx(60369.999994213, abs=1e-9)
    middle = mid_exposure(light(time=start, exposure_s=300.0))
    assert abs(middle - utc(2024, 3, 1, 0, 2, 29, 500_000)) < timedelta(milliseconds=1)


def test_middle_of_an_exposure_of_unknown_length_or_time():
    start = utc(2024, 3, 1)
    assert mid_exposure(light(time=start, exposure_s=None)) == start
    assert mid_exposure(light(time=None, exposure_s=300.0)) is None


@pytest.mark.parametrize(
    ("words", "time"),
    [
        ("2024-02-29T23:59:59.5", utc(2024, 2, 29, 23, 59, 59, 500_000)),
        ("2024-02-29T23:59:59", utc(2024, 2, 29, 23, 59, 59)),
        ("2024-02-29", utc(2024, 2, 29)),
        ("28/07/93", utc(1993, 7, 28)),  # the old form means 19YY
        ("23/07/28", utc(1928, 7, 23)),
        ("2016-12-31T23:59:60.5", utc(2017, 1, 1, 0, 0, 0, 500_000)),  # leap second
        ("2024-02-29T23:59:59Z", utc(2024, 2, 29, 23, 59, 59)),  # not standard, but seen
        ("2024-02-29 23:59:59", utc(2024, 2, 29, 23, 59, 59)),
        ("2024-03-01T01:00:00+01:00", utc(2024, 3, 1)),
        ("2024-02-30", None),
        ("2023-02-29T00:00:00", None),
        ("2024-02-29T24:00:00", None),
        ("2024-02-29T23:60:00", None),
        ("2024-02-29T23:59:61", None),
        ("yesterday", None),
        ("", None),
    ],
)
def test_forms(words, time):
    assert parsed_time(words) == time


@pytest.mark.parametrize(
    ("cards", "time"),
    [
        ({"DATE-BEG": "2024-01-01T20:00:00"}, utc(2024, 1, 1, 20)),
        ({"DATE-AVG": "2024-01-01T20:01:00"}, utc(2024, 1, 1, 20)),
        ({"DATE-END": "2024-01-01T20:02:00"}, utc(2024, 1, 1, 20)),
        ({"DATE-OBS": "2013-07-13", "UT": "00:57:33"}, utc(2013, 7, 13, 0, 57, 33)),
        (
            {"DATE-OBS": "13/07/98", "TIME-OBS": "21:57:33.25"},
            utc(1998, 7, 13, 21, 57, 33, 250_000),
        ),
        ({"DATE-OBS": "2013-07-13", "MJD-OBS": 56486.5}, utc(2013, 7, 13, 12)),
        ({"DATE-OBS": "2013-07-13", "MJD-OBS": 56486.0}, utc(2013, 7, 13)),
        ({"DATE-OBS": "2013-07-13"}, utc(2013, 7, 13)),
        ({"DATE-OBS": "junk", "DATE-BEG": "2024-01-01T20:00:00"}, utc(2024, 1, 1, 20)),
        ({"DATE-OBS": 2013}, None),
        ({}, None),
    ],
)
def test_cards_of_two_minute_exposures(cards, time):
    assert start_time(cards, 120.0) == time


def test_the_middle_alone_is_no_start_without_an_exposure():
    assert start_time({"DATE-AVG": "2024-01-01T20:01:00"}, None) is None


@pytest.mark.parametrize("scale", ["tai", "tt", "tdb"])
@pytest.mark.parametrize(
    "date", ["2024-06-01T01:02:03", "2016-12-31T12:00:00", "2003-05-05T05:00:00"]
)
def test_time_scales_against_astropy(scale, date):
    outside = Time(date, scale=scale).utc.to_datetime(timezone=UTC)
    found = start_time({"DATE-OBS": date, "TIMESYS": scale.upper()}, None)
    assert abs(found - outside) < timedelta(milliseconds=3)


def test_a_time_scale_not_understood_gives_no_time():
    assert start_time({"DATE-OBS": "2024-06-01T01:02:03", "TIMESYS": "LOCAL"}, None) is None


@given(st.datetimes(datetime(1900, 1, 1), datetime(2199, 12, 31)))  # noqa: DTZ001
def test_iso_round_trip(time):
    assert parsed_time(time.isoformat()) == time.replace(tzinfo=UTC)


@given(st.text(max_size=25))
def test_no_text_breaks_the_reader(words):
    time = parsed_time(words)
    assert time is None or time.tzinfo is UTC


@pytest.mark.parametrize(
    "cards",
    [
        {"DATE-OBS": "0001-01-01T00:00:00"},  # a date that was never set
        {"DATE-OBS": "0001-01-01T00:00:00", "TIMESYS": "TT"},
        {"DATE-OBS": "0001-01-01T00:00:00+02:00"},
        {"DATE-OBS": "9999-12-31T23:59:60"},
    ],
)
def test_a_date_that_cannot_be_meant_is_none(cards):
    assert start_time(cards, 10.0) is None


def test_the_realisation_of_a_time_scale_is_left_out():
    # FITS Standard 4.0, section 9.2.1, from memory: TT(TAI), UTC(NIST) …
    date = "2024-06-01T01:02:03"
    for scale, realised in (("UTC", "UTC(NIST)"), ("TT", "TT(TAI)")):
        told = [start_time({"DATE-OBS": date, "TIMESYS": one}, None) for one in (scale, realised)]
        assert told[0] == told[1] is not None
