"""The values of a job's settings by path: laid out, put together, and what cannot be."""

import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from stackbench.job.settings import Settings
from stackbench.window.settingwords import PARTS, Form, Setting

Values = dict[str, Any]

# The first of two values may not be above the second.
_ORDERED = (
    ("stars.detect_snr", "stars.count_snr", "must not be less than that of the faintest found"),
    *(
        (f"review.{name}.{low}", f"review.{name}.{high}", words)
        for name, low, high, words in (
            ("fwhm", "tightest", "loosest", "must not be less than what is kept in any case"),
            ("sky", "tightest", "loosest", "must not be less than what is kept in any case"),
            ("transparency", "loosest", "tightest", "must not be below what is rejected"),
            ("stars", "loosest", "tightest", "must not be below what is rejected"),
        )
    ),
    (
        "review.eccentricity_tightest",
        "review.eccentricity_loosest",
        "must not be less than what is kept in any case",
    ),
)


def values_of(settings: Settings) -> Values:
    """Lay settings out by path.

    Parameters
    ----------
    settings : Settings
        The settings.

    Returns
    -------
    dict of str to value
        None for what is turned off.
    """
    given = {name: asdict(getattr(settings, name)) for name in Settings.model_fields}
    return {one.path: _at(given, one.path) for part in PARTS for one in part.settings}


def nested(values: Mapping[str, Any]) -> dict[str, Any]:
    """Put values by path together again.

    Parameters
    ----------
    values : mapping of str to value
        From `values_of`, or as written by the person.

    Returns
    -------
    dict
        Parts by name, for `stackbench.job.settings.settings_of`; a relative
        limit without a factor is None.
    """
    whole: dict[str, Any] = {}
    for path, value in values.items():
        *above, name = path.split(".")
        place = whole
        for one in above:
            place = place.setdefault(one, {})
        place[name] = value
    review = whole["review"]
    for name, value in review.items():
        if isinstance(value, dict) and value["factor"] is None:
            review[name] = None
    return whole


def faults_of(values: Mapping[str, Any]) -> dict[str, str]:
    """Find what cannot be.

    Parameters
    ----------
    values : mapping of str to value
        By path; text that is no number is at fault as it is.

    Returns
    -------
    dict of str to str
        By path, what is wrong in words; empty when all can be.
    """
    faults = {}
    for part in PARTS:
        for one in part.settings:
            words = _fault(one, values[one.path])
            if words:
                faults[one.path] = words
    latitude, longitude = "planning.latitude_deg", "planning.longitude_deg"
    for path, other in ((latitude, longitude), (longitude, latitude)):
        if values[path] is None and values[other] is not None:
            faults.setdefault(path, "must not be empty when the other of the two is set")
    for low, high, words in _ORDERED:
        if low not in faults and high not in faults and values[low] > values[high]:
            faults[high] = words
    return faults


def _fault(one: Setting, value: Any) -> str:
    if one.form in (Form.CHOICE, Form.SWITCH):
        return ""
    if value is None:
        return "" if one.optional else "must not be empty"
    if isinstance(value, str):
        return f"“{value}” is no {one.form.value}"
    if not one.least <= value <= one.most:
        if math.isinf(one.most):
            return f"must be at least {one.least:g}"
        return f"must be from {one.least:g} to {one.most:g}"
    return ""


def _at(given: Mapping[str, Any], path: str) -> Any:
    """Find a value; of a relative limit that is turned off, what it is by default."""
    part, name, *inside = path.split(".")
    value = given[part][name]
    if not inside:
        return value
    if value is None:
        default = getattr(getattr(Settings(), part), name)
        return None if inside == ["factor"] else getattr(default, inside[0])
    return value[inside[0]]
