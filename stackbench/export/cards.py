"""FITS header cards made from values.

Only what our products need of the FITS Standard 4.0, section 4: keywords of up
to eight characters, fixed-format values, long strings by CONTINUE.
"""

import math
from collections.abc import Iterable

from stackbench.export.text import ascii_text
from stackbench.frames.cards import padded

_CARD_BYTES = 80

Value = str | int | float | bool
Card = tuple[str, Value | None, str]
"""Keyword, value and comment; a card of value None is left out."""

_COMMENTARY = ("HISTORY", "COMMENT")


def header_bytes(cards: Iterable[Card]) -> bytes:
    """Lay out cards as a FITS header, END and the fill to whole blocks included.

    Parameters
    ----------
    cards : iterable of (keyword, value, comment)
        In order. Text is spelled in ASCII; a card whose value is None, NaN
        or infinite says nothing and is left out.

    Returns
    -------
    bytes
        A multiple of 2880 bytes.
    """
    lines = [line for card in cards for line in _card_lines(*card)]
    text = "".join(line.ljust(_CARD_BYTES) for line in [*lines, "END"])
    return text.ljust(padded(len(text))).encode("ascii")


def _card_lines(keyword: str, value: Value | None, comment: str) -> list[str]:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return []
    if keyword in _COMMENTARY:
        text = ascii_text(str(value)).rstrip()
        return [f"{keyword:8}{text[i : i + 72]}" for i in range(0, max(len(text), 1), 72)]
    if isinstance(value, str):
        return _string_lines(keyword, ascii_text(value).rstrip(), ascii_text(comment))
    return [_with_comment(f"{keyword:8}= {_number_text(value):>20}", ascii_text(comment))]


def _number_text(value: float) -> str:
    if isinstance(value, bool):
        return "T" if value else "F"
    if isinstance(value, int):
        return str(value)
    return repr(float(value)).upper()


def _with_comment(line: str, comment: str) -> str:
    return f"{line} / {comment}"[:_CARD_BYTES] if comment else line


def _string_lines(keyword: str, text: str, comment: str) -> list[str]:
    escaped = text.replace("'", "''")
    if len(escaped) <= 68:
        quoted = f"'{escaped:8}'"
        return [_with_comment(f"{keyword:8}= {quoted:20}", comment)]
    pieces = _pieces(text, 67)
    lines = [f"{keyword:8}= '{pieces[0]}&'"]
    lines += [f"CONTINUE  '{piece}&'" for piece in pieces[1:-1]]
    return [*lines, _with_comment(f"CONTINUE  '{pieces[-1]}'", comment)]


def _pieces(text: str, longest: int) -> list[str]:
    """Cut a text so that no doubled quote is cut and no piece ends in a blank."""
    pieces, piece = [], ""
    for character in text.replace("'", "\0"):
        width = len(piece) + piece.count("\0") + (2 if character == "\0" else 1)
        if width > longest:
            pieces.append(piece)
            piece = ""
        piece += character
    return [piece.replace("\0", "''") for piece in [*pieces, piece]]
