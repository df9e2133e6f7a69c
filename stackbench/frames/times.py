"""Times as headers write them: ISO and old forms, time scales, exposure middles."""

import re
from datetime import UTC, datetime, timedelta

from stackbench.frames.angles import sexagesimal
from stackbench.frames.records import Frame
from stackbench.frames.values import Cards, number, text

_ISO = re.compile(
    r"(?P<year>\d{4})[-/](?P<month>\d{1,2})[-/](?P<day>\d{1,2})"
    r"(?:[T ]+(?P<hour>\d{1,2}):(?P<minute>\d{1,2})(?::(?P<second>\d{1,2}(?:\.\d*)?))?"
    r"\s*(?P<zone>Z|UTC?|[+-]\d{2}:?\d{2})?)?"
)
_OLD = re.compile(r"(?P<day>\d{1,2})/(?P<month>\d{1,2})/(?P<year>\d{2})")
# With the part of the exposure that has passed by then.
_DATE_KEYS = (("DATE-OBS", 0.0), ("DATE-BEG", 0.0), ("DATE-AVG", 0.5), ("DATE-END", 1.0))
_CLOCK_KEYS = ("TIME-OBS", "UT", "UTC", "UTC-OBS", "UTSTART", "UT-OBS", "TIME-BEG")
_MJD_ZERO = datetime(1858, 11, 17, tzinfo=UTC)

# TAI − UTC, seconds, from the given day on (IERS Bulletin C).
_LEAP_SECONDS = (
    (datetime(2017, 1, 1, tzinfo=UTC), 37),
    (datetime(2015, 7, 1, tzinfo=UTC), 36),
    (datetime(2012, 7, 1, tzinfo=UTC), 35),
    (datetime(2009, 1, 1, tzinfo=UTC), 34),
    (datetime(2006, 1, 1, tzinfo=UTC), 33),
    (datetime(1999, 1, 1, tzinfo=UTC), 32),
)
# Others stand for a date that was never set, such as that of the year 1.
_YEARS = range(1900, 2200)
# Seconds by which a scale is ahead of TAI.
_AHEAD_OF_TAI = {"TAI": 0.0, "IAT": 0.0, "TT": 32.184, "TDT": 32.184, "ET": 32.184, "GPS": -19.0}
_AHEAD_OF_TAI["TDB"] = 32.184  # within 2 ms


def start_time(cards: Cards, exposure_s: float | None) -> datetime | None:
    """Tell when a frame's exposure began.

    Parameters
    ----------
    cards : mapping
        Header values by keyword.
    exposure_s : float or None
        Exposure, seconds; needed when only the middle or the end is given.

    Returns
    -------
    datetime or None
        UTC, to the microsecond. A date without any time counts from 0 h. None
        if the header gives no date or a time scale that is not understood.

    References
    ----------
    FITS Standard 3.0, section 4.4.2.1 (DATE-OBS); 4.0, section 9.1.1
    (DATE-BEG, DATE-AVG, DATE-END).
    """
    dated = _dated_start(cards, exposure_s)
    if dated is None:
        return None
    return _in_utc(dated, _scale_of(text(cards, "TIMESYS") or "UTC"))


def parsed_time(words: str) -> datetime | None:
    """Read a date with or without a time of day.

    Parameters
    ----------
    words : str
        'YYYY-MM-DD[Thh:mm:ss[.s…]]', or the old 'DD/MM/YY', which means 19YY.

    Returns
    -------
    datetime or None
        As written, labelled UTC; a leap second 60 is the next minute's start.
        None if `words` is no such date.
    """
    plain = words.strip()
    match = _ISO.fullmatch(plain)
    if match is None:
        match = _OLD.fullmatch(plain)
        if match is None:
            return None
        return _calendar_day(1900 + int(match["year"]), int(match["month"]), int(match["day"]))
    day = _calendar_day(int(match["year"]), int(match["month"]), int(match["day"]))
    if day is None or match["hour"] is None:
        return day
    hour, minute, second = int(match["hour"]), int(match["minute"]), float(match["second"] or 0)
    if hour > 23 or minute > 59 or second >= 61:
        return None
    clock = timedelta(hours=hour, minutes=minute, seconds=second)
    return day + clock - _zone_offset(match["zone"])


def mid_exposure(frame: Frame) -> datetime | None:
    """Tell when a frame's exposure was half over.

    Parameters
    ----------
    frame : Frame
        An exposure of unknown length counts as a moment.

    Returns
    -------
    datetime or None
        In the time zone of the frame's start; None when that is unknown.
    """
    if frame.time is None:
        return None
    return frame.time + timedelta(seconds=(frame.exposure_s or 0.0) / 2)


def _dated_start(cards: Cards, exposure_s: float | None) -> datetime | None:
    date_only: datetime | None = None
    for key, of_exposure in _DATE_KEYS:
        words = text(cards, key)
        time = parsed_time(words) if words is not None else None
        if words is None or time is None:
            continue
        if ":" not in words:
            clock = _clock(cards) if key == "DATE-OBS" else None
            if clock is not None:
                return time + clock
            date_only = date_only or time
        elif of_exposure == 0:
            return time
        elif exposure_s is not None:
            return time - timedelta(seconds=of_exposure * exposure_s)
    return _from_day_number(cards) or date_only


def _clock(cards: Cards) -> timedelta | None:
    for key in _CLOCK_KEYS:
        words = text(cards, key)
        hours = sexagesimal(words) if words is not None else None
        if hours is not None and 0 <= hours < 24:
            # Rounded, since a third part of 1/3600 h is not exact in binary.
            return timedelta(microseconds=round(hours * 3_600_000_000))
    return None


def _from_day_number(cards: Cards) -> datetime | None:
    day = number(cards, "MJD-OBS", "MJD-BEG")
    # A whole number is a date without its time of day.
    if day is None or day.is_integer() or not 0 < day < 100_000:
        return None
    return _MJD_ZERO + timedelta(days=day)


def _scale_of(words: str) -> str:
    """Leave out the realisation: UTC(NIST) is UTC (FITS Standard 4.0, section 9.2.1)."""
    return words.partition("(")[0].strip().upper()


def _in_utc(time: datetime, scale: str) -> datetime | None:
    if scale in {"UTC", "UT", "UT1", "GMT"}:
        return time
    if scale not in _AHEAD_OF_TAI:
        return None
    for since, seconds in _LEAP_SECONDS:
        utc = time - timedelta(seconds=seconds + _AHEAD_OF_TAI[scale])
        if utc >= since:
            return utc
    return None


def _calendar_day(year: int, month: int, day: int) -> datetime | None:
    if year not in _YEARS:
        return None
    try:
        return datetime(year, month, day, tzinfo=UTC)
    except ValueError:  # no such day
        return None


def _zone_offset(zone: str | None) -> timedelta:
    # The standard allows no suffix; a writer that adds one means it.
    if zone is None or zone[0] not in "+-":
        return timedelta(0)
    size = timedelta(hours=int(zone[1:3]), minutes=int(zone[-2:]))
    return -size if zone[0] == "-" else size
