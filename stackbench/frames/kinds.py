"""What a frame was taken for: from its header, else from its name and folders."""

import re
from collections.abc import Iterable, Sequence

from stackbench.frames.records import Kind
from stackbench.frames.values import Cards, text

KIND_KEYS = ("IMAGETYP", "OBSTYPE", "IMGTYPE", "FRAME")

_HEADER_WORDS = {
    Kind.LIGHT: ("light", "lights", "object", "science", "sci"),
    Kind.DARK: ("dark", "darks"),
    Kind.BIAS: ("bias", "biases", "zero"),
    Kind.FLAT: (
        *("flat", "flats", "flatfield", "flat field", "domeflat", "dome flat"),
        *("skyflat", "sky flat", "twilight", "twilightflat", "twilight flat"),
    ),
    Kind.DARK_FLAT: (
        *("darkflat", "darkflats", "dark flat", "dark flats"),
        *("flatdark", "flatdarks", "flat dark", "flat darks"),
    ),
}
_KIND_OF_HEADER_WORD = {word: kind for kind, words in _HEADER_WORDS.items() for word in words}

# In a name "object", "sci" and "twilight" may well be something else.
_NAME_WORDS = {
    Kind.LIGHT: ("light", "lights", "science"),
    Kind.DARK: ("dark", "darks"),
    Kind.BIAS: ("bias", "biases", "zero", "zeros"),
    Kind.FLAT: (
        *("flat", "flats", "flatfield", "flatfields"),
        *("domeflat", "domeflats", "skyflat", "skyflats"),
    ),
    Kind.DARK_FLAT: ("darkflat", "darkflats", "flatdark", "flatdarks"),
}
_KIND_OF_NAME_WORD = {word: kind for kind, words in _NAME_WORDS.items() for word in words}

# "Dark" before one of these speaks of the sky, not of the shutter.
_SKY_WORDS = frozenset({"sky", "skies", "site", "nebula", "nebulae", "cloud", "clouds"}) | {
    *("shark", "horse", "doodad", "wolf", "tower", "river", "lane", "lanes", "matter"),
}
_WORD = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_]+|\d+")


def frame_kind(cards: Cards, names: Sequence[str]) -> Kind:
    """Tell what a frame was taken for, or that it cannot be told.

    Parameters
    ----------
    cards : mapping
        Header values by keyword.
    names : sequence of str
        The file's name without its endings, then its folders' names. They
        count only when the header says nothing.

    Returns
    -------
    Kind
        `Kind.UNKNOWN` when nothing is said, when what is said is not
        understood, or when two statements contradict each other.
    """
    kind = kind_of_header(cards)
    if kind is not None:
        return kind
    return kind_of_names(names) or Kind.UNKNOWN


def kind_of_header(cards: Cards) -> Kind | None:
    """Tell the kind that the header states.

    Parameters
    ----------
    cards : mapping
        Header values by keyword.

    Returns
    -------
    Kind or None
        None if the header says nothing about it; `Kind.UNKNOWN` if it says
        something that is not understood or contradicts itself.
    """
    kinds: set[Kind] = set()
    understood = True
    for key in KIND_KEYS:
        words = text(cards, key)
        if words is None:
            continue
        kind = kind_of_text(words)
        if kind is not None:
            kinds.add(kind)
        elif key != "FRAME":  # FRAME often names a coordinate system instead
            understood = False
    if kinds:
        return _agreed(kinds)
    return None if understood else Kind.UNKNOWN


def kind_of_text(words: str) -> Kind | None:
    """Translate one frame-type string of a header.

    Parameters
    ----------
    words : str
        As the header gives it, for example "Light Frame" or "FLAT_FIELD".

    Returns
    -------
    Kind or None
        None if the string is not among those known.
    """
    plain = " ".join(re.split(r"[\s_-]+", words.casefold())).strip()
    for ending in (" frame", " frames"):
        plain = plain.removesuffix(ending)
    return _KIND_OF_HEADER_WORD.get(plain)


def kind_of_names(names: Iterable[str]) -> Kind | None:
    """Tell the kind that file and folder names state in whole words.

    Parameters
    ----------
    names : iterable of str
        Names without endings, for example "flat_Ha_001", "darks".

    Returns
    -------
    Kind or None
        None if no name says anything; `Kind.UNKNOWN` if they contradict each
        other, as "lights" and "dark_001" do.
    """
    kinds: set[Kind] = set()
    for name in names:
        kinds |= _kinds_in(name)
    return _agreed(kinds) if kinds else None


def name_words(name: str) -> list[str]:
    """Split a name into its words and numbers.

    Parameters
    ----------
    name : str
        A file or folder name, for example "DarkFlat_300s".

    Returns
    -------
    list of str
        In lower case, for example ["dark", "flat", "300", "s"].
    """
    return [word.casefold() for word in _WORD.findall(name)]


def _kinds_in(name: str) -> set[Kind]:
    words = name_words(name)
    kinds: set[Kind] = set()
    at = 0
    while at < len(words):
        kind = _KIND_OF_NAME_WORD.get(words[at])
        after = words[at + 1] if at + 1 < len(words) else ""
        if {kind, _KIND_OF_NAME_WORD.get(after)} == {Kind.DARK, Kind.FLAT}:
            kinds.add(Kind.DARK_FLAT)
            at += 1
        elif kind is not None and not (words[at] == "dark" and after in _SKY_WORDS):
            kinds.add(kind)
        at += 1
    return kinds


def _agreed(kinds: set[Kind]) -> Kind:
    """Return the one kind meant; a dark-flat may also be called dark or flat."""
    if Kind.DARK_FLAT in kinds and kinds <= {Kind.DARK, Kind.FLAT, Kind.DARK_FLAT}:
        return Kind.DARK_FLAT
    return next(iter(kinds)) if len(kinds) == 1 else Kind.UNKNOWN
