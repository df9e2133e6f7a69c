"""A header's cards, read straight from its 2880-byte blocks.

Listing a night means reading hundreds of headers, so this reader does only
what that needs: it forgives malformed cards and leaves commentary aside.
References: FITS Standard 3.0, sections 3.3 and 4.1 to 4.2.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from stackbench.frames.values import parsed_number

BLOCK_BYTES = 2880
_CARD_BYTES = 80
# Real headers have a few blocks; beyond this the END card is missing.
_MOST_BLOCKS = 2000
_COMMENTARY = frozenset({"", "COMMENT", "HISTORY", "HIERARCH", "END"})


class HeaderEndError(ValueError):
    """The file ended, or ran on for too long, without an END card."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderBlock:
    """One header: values and comments by keyword, and its length in bytes.

    Of a keyword that stands twice the first card counts. A card without a
    value gives None. `size_bytes` includes the padding to whole blocks.
    """

    values: dict[str, object]
    comments: dict[str, str]
    size_bytes: int


def read_header(stream: BinaryIO) -> HeaderBlock:
    """Read one header from where the stream stands.

    Parameters
    ----------
    stream : binary file
        Positioned at the first byte of a header; left after its last block.

    Returns
    -------
    HeaderBlock
        Values as str, bool, int, float or None.

    Raises
    ------
    HeaderEndError
        If there is no END card.
    """
    cards: list[bytes] = []
    for count in range(1, _MOST_BLOCKS + 1):
        block = stream.read(BLOCK_BYTES)
        ended = False
        for start in range(0, len(block) - _CARD_BYTES + 1, _CARD_BYTES):
            card = block[start : start + _CARD_BYTES]
            if card[:8] == b"END     ":
                ended = True
                break
            cards.append(card)
        if ended:
            return _parsed(cards, size_bytes=count * BLOCK_BYTES)
        if len(block) < BLOCK_BYTES:
            break
    raise HeaderEndError("no END card")


def _parsed(cards: list[bytes], *, size_bytes: int) -> HeaderBlock:
    values: dict[str, object] = {}
    comments: dict[str, str] = {}
    for key, field in _fields(cards):
        if key in values:
            continue
        values[key], comments[key] = _value_and_comment(field)
    return HeaderBlock(values=values, comments=comments, size_bytes=size_bytes)


def _fields(cards: list[bytes]) -> Iterator[tuple[str, str]]:
    """Yield keyword and value field, with long strings put together."""
    held: tuple[str, str] | None = None
    for card in cards:
        line = _decoded(card)
        key = line[:8].strip().upper()
        if key == "CONTINUE" and held is not None:
            held = (held[0], _continued(held[1], line[8:]))
            continue
        if held is not None:
            yield held
            held = None
        if key not in _COMMENTARY and line[8:9] == "=":
            held = (key, line[9:])
    if held is not None:
        yield held


def _continued(field: str, more: str) -> str:
    """Join a string that ends in & with the string of a CONTINUE card."""
    value, _ = _value_and_comment(field)
    addition, comment = _value_and_comment(more)
    if not (isinstance(value, str) and value.endswith("&") and isinstance(addition, str)):
        return field
    joined = (value[:-1] + addition).replace("'", "''")
    return f"'{joined}' / {comment}"


def _decoded(card: bytes) -> str:
    # The standard allows ASCII only; some writers put UTF-8 or Latin-1 in.
    try:
        return card.decode("utf-8")
    except UnicodeDecodeError:
        return card.decode("latin-1")


def _value_and_comment(field: str) -> tuple[object, str]:
    body = field.lstrip()
    if body.startswith("'"):
        return _string_and_comment(body)
    body, _, comment = body.partition("/")
    body = body.strip()
    if not body:
        return None, comment.strip()
    if body in {"T", "F"}:
        return body == "T", comment.strip()
    value = parsed_number(body)
    return (body if value is None else value), comment.strip()


def _string_and_comment(body: str) -> tuple[str, str]:
    start = 1
    while True:
        end = body.find("'", start)
        if end < 0:  # the closing quote is missing: take all there is
            return body[1:].rstrip(), ""
        if body[end : end + 2] != "''":
            break
        start = end + 2
    _, _, comment = body[end + 1 :].partition("/")
    return body[1:end].replace("''", "'").rstrip(), comment.strip()
