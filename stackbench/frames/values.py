"""Single values out of a header's cards, whatever their writers made of them."""

import math
import re
from collections.abc import Mapping

Cards = Mapping[str, object]

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?")
_SAYS_NOTHING = frozenset({"", "none", "n/a", "na", "null", "nan", "unknown", "undefined", "-"})


def parsed_number(text: str) -> int | float | None:
    """Read a number in the forms that FITS allows.

    Parameters
    ----------
    text : str
        Digits with optional sign, point and exponent (E or D), blanks around.

    Returns
    -------
    int, float or None
        None if `text` is not a number.
    """
    digits = text.strip()
    if not _NUMBER.fullmatch(digits):
        return None
    if digits.lstrip("+-").isdecimal():
        return int(digits)
    return float(digits.upper().replace("D", "E"))


def number(cards: Cards, *keys: str) -> float | None:
    """Return the first finite number among the cards of the given keys.

    Parameters
    ----------
    cards : mapping
        Header values by keyword.
    *keys : str
        Keywords, the most trusted first.

    Returns
    -------
    float or None
        A number, also if it was written as text; None if no card holds one.
    """
    for key in keys:
        value = cards.get(key)
        if isinstance(value, str):
            value = parsed_number(value)
        if isinstance(value, bool) or not isinstance(value, int | float):
            continue
        if math.isfinite(value):
            return float(value)
    return None


def whole_number(cards: Cards, key: str) -> int | None:
    """Return a card's value if it is a whole number.

    Parameters
    ----------
    cards : mapping
        Header values by keyword.
    key : str
        Keyword.

    Returns
    -------
    int or None
        Exact, however large; None if the card is missing or not whole.
    """
    value = cards.get(key)
    if isinstance(value, str):
        value = parsed_number(value)
    if isinstance(value, bool):
        return None
    if isinstance(value, float) and value.is_integer():
        return int(value)
    return value if isinstance(value, int) else None


def text(cards: Cards, *keys: str) -> str | None:
    """Return the first text that says something among the given cards.

    Parameters
    ----------
    cards : mapping
        Header values by keyword.
    *keys : str
        Keywords, the most trusted first.

    Returns
    -------
    str or None
        Runs of blanks collapsed; a number is written out. "None", "unknown",
        "n/a" and the like count as nothing said.
    """
    for key in keys:
        value = cards.get(key)
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            continue
        words = " ".join((value if isinstance(value, str) else f"{value:g}").split())
        if words.casefold() not in _SAYS_NOTHING:
            return words
    return None
