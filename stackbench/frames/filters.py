"""Filter names: the usual spellings of a filter become one."""

import re
import unicodedata

_SPELLINGS = {
    "L": ("lum", "lumi", "luminance", "luma"),
    "R": ("red",),
    "G": ("green",),
    "B": ("blue",),
    "Ha": ("ha", "halpha", "hα", "hydrogenalpha"),
    "Hb": ("hb", "hbeta", "hβ", "hydrogenbeta"),
    "OIII": ("oiii", "o3", "oxygeniii", "oxygen3"),
    "SII": ("sii", "s2", "sulfurii", "sulphurii", "sulfur2", "sulphur2"),
    "NII": ("nii", "n2", "nitrogenii", "nitrogen2"),
}
_NAME_OF_SPELLING = {spelling: name for name, many in _SPELLINGS.items() for spelling in many}
# Single letters count as written: "g" and "r" are other bands than "G" and "R".
_NAME_OF_LETTER = {"L": "L", "l": "L", "R": "R", "G": "G", "B": "B"}
_NO_FILTER = frozenset({"nofilter", "empty", "open", "blank"})


def filter_name(words: str | None) -> str | None:
    """Return the usual short name of a filter.

    Parameters
    ----------
    words : str or None
        As the header gives it, for example "Luminance" or "H-alpha".

    Returns
    -------
    str or None
        L, R, G, B, Ha, Hb, OIII, SII or NII; a name that is none of these
        as it was given, runs of blanks collapsed. None for no filter.
    """
    kept = " ".join((words or "").split())
    if len(kept) == 1:
        return _NAME_OF_LETTER.get(kept, kept)
    spelling = re.sub(r"[\s_\-\[\]()]", "", unicodedata.normalize("NFKC", kept).casefold())
    if not spelling or spelling in _NO_FILTER:
        return None
    return _NAME_OF_SPELLING.get(spelling, kept)


def is_filter_name(words: str) -> bool:
    """Tell whether a text is nothing but the name of a usual filter.

    Parameters
    ----------
    words : str
        For example the name of a folder.

    Returns
    -------
    bool
        True for every spelling that `filter_name` translates.
    """
    return filter_name(words) in (*_SPELLINGS, None)
