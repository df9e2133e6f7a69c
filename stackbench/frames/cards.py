"""A header's cards, read straight from its 2880-byte blocks.

Listing a night means reading hundreds of headers, so this reader does only
what that needs: it forgives malformed cards and leaves commentary aside.
References: FITS Standard 3.0, sections 3.3 and 4.1 to 4.2.
"""

from collections.abc import Iterator, Mapping
from typing import BinaryIO

from stackbench.frames.values import parsed_number

BLOCK_BYTES = 2880
_CARD_BYTES = 80
# Real headers have a few blocks; beyond this the END card is missing.
_MOST_BLOCKS = 2000
_COMMENTARY = frozenset({"", "COMMENT", "HISTORY", "HIERARCH", "END"})


class HeaderEndError(ValueError):
    """The file ended, or ran on for too long, without an END card."""


class Header(Mapping[str, object]):
    """A header's values by keyword: str, bool, int, float, or None for no value.

    A card is read only when it is asked for, which makes listing a night
    twice as fast. Of a keyword that stands twice the first card counts.

    Parameters
    ----------
    fields : dict of str to str
        The text right of "=" in each card, by keyword.
    size_bytes : int
        Length in the file, padding included.
    """

    def __init__(self, fields: dict[str, str], *, size_bytes: int) -> None:
        self._fields = fields
        self.size_bytes = size_bytes

    def __getitem__(self, key: str) -> object:
        return _value_and_comment(self._fields[key])[0]

    def __iter__(self) -> Iterator[str]:
        return iter(self._fields)

    def __len__(self) -> int:
        return len(self._fields)

    def __contains__(self, key: object) -> bool:
        return key in self._fields

    def get(self, key: str, default: object = None) -> object:
        """Return a value, or the default if there is no such card.

        Parameters
        ----------
        key : str
            Keyword, upper case.
        default : object
            What to return without such a card.

        Returns
        -------
        object
            The value.
        """
        field = self._fields.get(key)
        return default if field is None else _value_and_comment(field)[0]

    def comment(self, key: str) -> str:
        """Return a card's comment.

        Parameters
        ----------
        key : str
            Keyword, upper case.

        Returns
        -------
        str
            Empty if there is no such card or it has none.
        """
        return _value_and_comment(self._fields.get(key, ""))[1]

    def over(self, primary: "Header") -> "Header":
        """Return this header, with another one's cards where it has none.

        Parameters
        ----------
        primary : Header
            The header of the file's primary HDU.

        Returns
        -------
        Header
            Of the length of this one.
        """
        return Header(primary._fields | self._fields, size_bytes=self.size_bytes)


def read_header(stream: BinaryIO) -> Header:
    """Read one header from where the stream stands.

    Parameters
    ----------
    stream : binary file
        Positioned at the first byte of a header; left after its last block.

    Returns
    -------
    Header
        Its cards, commentary left out.

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


def padded(size_bytes: int) -> int:
    """Return a length filled up to whole blocks.

    Parameters
    ----------
    size_bytes : int
        Bytes of a header or of data.

    Returns
    -------
    int
        The next multiple of 2880.
    """
    return -(-size_bytes // BLOCK_BYTES) * BLOCK_BYTES


def _parsed(cards: list[bytes], *, size_bytes: int) -> Header:
    """Take the keywords apart, and put long strings together."""
    fields: dict[str, str] = {}
    last = ""
    for card in cards:
        line = _decoded(card)
        key = line[:8].rstrip().upper()
        if key == "CONTINUE" and last:
            fields[last] = _continued(fields[last], line[8:])
        elif key in _COMMENTARY or line[8:9] != "=" or key in fields:
            last = ""
        else:
            fields[key] = line[9:]
            last = key
    return Header(fields, size_bytes=size_bytes)


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
