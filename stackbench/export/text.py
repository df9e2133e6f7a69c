"""Header text made safe for where it goes: FITS and TIFF text, file names."""

import re
import unicodedata
from collections.abc import Iterable

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
_LONGEST_NAME = 60
# names that Windows keeps for devices, with or without an extension
_DEVICES = {"con", "prn", "aux", "nul"} | {f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10)}


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


def safe_name(text: str | None, *, fallback: str = "unnamed") -> str:
    """Turn a header's text into one part of a file name, on every system.

    Letters, digits, plus, minus and the point stay; anything else, a path's
    separators above all, becomes an underscore.

    Parameters
    ----------
    text : str or None
        Text from a header, not to be trusted.
    fallback : str
        The name when nothing of the text is left.

    Returns
    -------
    str
        ASCII, 1 to 60 characters, never a device name, no point at the ends.
    """
    name = re.sub(r"[^A-Za-z0-9+.\-]+", "_", ascii_text(text or ""))
    name = re.sub(r"\.{2,}", ".", name)[:_LONGEST_NAME].strip("._ ")
    if not name:
        return fallback
    return f"{name}_" if name.split(".")[0].lower() in _DEVICES else name


def distinct_names(
    texts: Iterable[str | None], *, fallback: str = "unnamed"
) -> dict[str | None, str]:
    """Give every text its own file name part, also where case does not count.

    Parameters
    ----------
    texts : iterable of str or None
        Texts from headers; repeated ones share one name.
    fallback : str
        The name when nothing of a text is left.

    Returns
    -------
    dict
        From each text to its name; the same texts always give the same names.
    """
    names: dict[str | None, str] = {}
    taken: set[str] = set()
    for text in sorted(set(texts), key=lambda text: (text is not None, text or "")):
        base = name = safe_name(text, fallback=fallback)
        number = 2
        while name.lower() in taken:
            name = f"{base}-{number}"
            number += 1
        taken.add(name.lower())
        names[text] = name
    return names


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
