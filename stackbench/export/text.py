"""Text spelled in ASCII, as FITS and TIFF headers demand."""

import re
import unicodedata

_PLAIN = {
    "µ": "u",
    "μ": "u",
    "°": " deg",
    "′": "'",
    "″": '"',
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
    "×": "x",
    "·": ".",
    "–": "-",
    "—": "-",
    "−": "-",
    "ß": "ss",
    "æ": "ae",
    "Æ": "AE",
    "ø": "o",
    "Ø": "O",
}
_GREEK = re.compile(r"GREEK (SMALL|CAPITAL) LETTER (\w+)$")


def ascii_text(text: str) -> str:
    """Spell a text with printable ASCII characters only.

    Accents are dropped, Greek letters are written out, control characters
    become spaces, and whatever has no spelling becomes a question mark.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        Characters 0x20 to 0x7E only, as FITS and TIFF headers demand.
    """
    return "".join(_ascii_character(character) for character in text)


def _ascii_character(character: str) -> str:
    if " " <= character <= "~":
        return character
    if character in _PLAIN:
        return _PLAIN[character]
    greek = _GREEK.match(unicodedata.name(character, ""))
    if greek:
        name = greek[2].lower()
        return name.capitalize() if greek[1] == "CAPITAL" else name
    if unicodedata.category(character)[0] in "CZ":
        return " "
    plain = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    plain = "".join(c for c in plain if " " <= c <= "~")
    return plain or ("" if unicodedata.combining(character) else "?")
