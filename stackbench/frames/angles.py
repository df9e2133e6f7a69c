"""Angles as headers write them: decimal, sexagesimal, with or without letters."""

import math
import re

from stackbench.frames.values import parsed_number

_SEXAGESIMAL = re.compile(
    r"(?P<sign>[+-]?)\s*(?P<whole>\d{1,3})\s*[:\shHdD°]\s*"
    r"(?P<minutes>\d{1,2}(?:\.\d*)?)\s*(?:[:\smM'′]\s*(?:(?P<seconds>\d{1,2}(?:\.\d*)?)\s*"
    r"[sS\"″]?)?)?\s*"
)
_HEMISPHERE = re.compile(r"^(?P<before>[NSEW]?)\s*(?P<angle>.*?)\s*(?P<after>[NSEW]?)$", re.I)


def sexagesimal(text: str) -> float | None:
    """Read an angle or a time of three (or two) parts.

    Parameters
    ----------
    text : str
        For example "-00:55:31", "22 04 08.5", "05h35m17s" or "41d16'09\"".

    Returns
    -------
    float or None
        In the unit of the first part; None if `text` is not of this form.
    """
    match = _SEXAGESIMAL.fullmatch(text.strip())
    if match is None:
        return None
    minutes, seconds = float(match["minutes"]), float(match["seconds"] or 0)
    if minutes >= 60 or seconds > 60:
        return None
    size = int(match["whole"]) + minutes / 60 + seconds / 3600
    # The sign stands apart: -00:30:00 is negative, -0 would not be.
    return -size if match["sign"] == "-" else size


def right_ascension_deg(value: object, *, in_hours: bool = False) -> float | None:
    """Read a right ascension.

    Parameters
    ----------
    value : object
        A header value. Sexagesimal text is in hours, unless it says d or °;
        a plain number is in degrees.
    in_hours : bool
        A plain number is in hours.

    Returns
    -------
    float or None
        Degrees, 0 <= ra < 360; None if `value` holds none.
    """
    plain = _plain(value)
    if plain is not None:
        angle = plain * 15 if in_hours else plain
    elif isinstance(value, str):
        parts = sexagesimal(value)
        if parts is None:
            return None
        angle = parts if re.search(r"[dD°]", value) else parts * 15
    else:
        return None
    return angle % 360 if 0 <= angle <= 360 else None


def declination_deg(value: object) -> float | None:
    """Read a declination.

    Parameters
    ----------
    value : object
        A header value: degrees, as a number or sexagesimal text.

    Returns
    -------
    float or None
        Degrees, −90 … 90; None if `value` holds none.
    """
    angle = _plain(value)
    if angle is None and isinstance(value, str):
        angle = sexagesimal(value)
    return angle if angle is not None and -90 <= angle <= 90 else None


def latitude_deg(value: object) -> float | None:
    """Read a geographic latitude.

    Parameters
    ----------
    value : object
        A header value: degrees, as a number or text, perhaps with N or S.

    Returns
    -------
    float or None
        Degrees north, −90 … 90; None if `value` holds none.
    """
    angle = _geographic(value, negative="S", positive="N")
    return angle if angle is not None and -90 <= angle <= 90 else None


def longitude_deg(value: object, *, west_positive: bool = False) -> float | None:
    """Read a geographic longitude.

    Parameters
    ----------
    value : object
        A header value: degrees, as a number or text, perhaps with E or W.
    west_positive : bool
        The number counts westwards.

    Returns
    -------
    float or None
        Degrees east, −180 <= longitude <= 180; None if `value` holds none.
    """
    angle = _geographic(value, negative="W", positive="E")
    if angle is None or not -180 <= angle <= 360:
        return None
    if west_positive:
        angle = -angle
    return angle - 360 if angle > 180 else angle


def field_deg(pixels: int, *, scale_arcsec_px: float) -> float:
    """Tell how much of the sky lies along one side of a frame.

    Parameters
    ----------
    pixels : int
        N, along that side.
    scale_arcsec_px : float
        The scale in the middle: 206264.8 p / f of a pixel p and a focal length f.

    Returns
    -------
    float
        2 atan(N p / 2 f), degrees.
    """
    return math.degrees(2 * math.atan(pixels * math.radians(scale_arcsec_px / 3600) / 2))


def _plain(value: object) -> float | None:
    if isinstance(value, str):
        value = parsed_number(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)


def _geographic(value: object, *, negative: str, positive: str) -> float | None:
    plain = _plain(value)
    if plain is not None or not isinstance(value, str):
        return plain
    match = _HEMISPHERE.match(value.strip())
    if match is None:
        return None
    letter = (match["before"] or match["after"]).upper()
    if letter not in {"", negative, positive}:
        return None
    angle = _plain(match["angle"])
    if angle is None:
        angle = sexagesimal(match["angle"])
    if angle is None:
        return None
    return -angle if letter == negative else angle
