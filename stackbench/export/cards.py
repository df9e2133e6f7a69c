"""FITS header cards: made from values, and read back from our own products.

Only what our products need of the FITS Standard 4.0, section 4: keywords of up
to eight characters, fixed-format values, long strings by CONTINUE.
"""

import math
import re
from collections.abc import Iterable, Iterator

from stackbench.export.text import ascii_text

CARD_LENGTH = 80
BLOCK_LENGTH = 2880

Value = str | int | float | bool
Card = tuple[str, Value | None, str]
"""Keyword, value and comment; a card of value None is left out."""

_COMMENTARY = ("HISTORY", "COMMENT")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([EDed][+-]?\d+)?$")
_STRING = re.compile(r"'((?:[^']|'')*)'")


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
    text = "".join(line.ljust(CARD_LENGTH) for line in [*lines, "END"])
    return text.ljust(-(-len(text) // BLOCK_LENGTH) * BLOCK_LENGTH).encode("ascii")


def parse_header(header: bytes) -> dict[str, Value]:
    """Read the cards of a header that `header_bytes` made.

    Parameters
    ----------
    header : bytes
        The header's blocks, END included.

    Returns
    -------
    dict
        Keyword to value, the first card of a keyword winning; the lines of
        HISTORY and COMMENT are joined by line ends. Long strings are whole.
    """
    found: dict[str, Value] = {}
    last = ""
    for line in _lines(header.decode("ascii", errors="replace")):
        keyword = line[:8].rstrip()
        if keyword in _COMMENTARY:
            found[keyword] = (
                f"{found[keyword]}\n{line[8:].rstrip()}"
                if keyword in found
                else (line[8:].rstrip())
            )
        elif keyword == "CONTINUE":
            before, more = found.get(last), _value(line[8:])
            if isinstance(before, str) and isinstance(more, str) and before.endswith("&"):
                found[last] = before[:-1] + more
        elif line[8:10] == "= " and keyword not in found:
            value = _value(line[10:])
            last = keyword
            if value is not None:
                found[keyword] = value
    return found


def _lines(text: str) -> Iterator[str]:
    for start in range(0, len(text), CARD_LENGTH):
        line = text[start : start + CARD_LENGTH]
        if line.rstrip() == "END":
            return
        yield line


def _value(field: str) -> Value | None:
    field = field.strip()
    quoted = _STRING.match(field)
    if quoted:
        return quoted[1].replace("''", "'").rstrip()
    field = field.split("/")[0].strip()
    if field in ("T", "F"):
        return field == "T"
    if not _NUMBER.match(field):
        return None
    if re.fullmatch(r"[+-]?\d+", field):
        return int(field)
    return float(field.upper().replace("D", "E"))


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
    return f"{line} / {comment}"[:CARD_LENGTH] if comment else line


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
