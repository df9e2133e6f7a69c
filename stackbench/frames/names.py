"""Names from headers made safe to be file names on every system."""

import hashlib
import re
import unicodedata
from collections.abc import Iterable

from stackbench.frames.records import Setup

# Windows keeps these for devices, whatever ending follows.
_DEVICE_NAMES = frozenset(
    {"con", "prn", "aux", "nul"}
    | {f"{port}{digit}" for port in ("com", "lpt") for digit in "0123456789"}
)
_UNSAFE = re.compile(r"[^\w.+\-]+")


def safe_name(text: str, *, fallback: str = "unnamed", most_bytes: int = 80) -> str:
    """Make a text safe as (part of) a file name on Windows, macOS and Linux.

    Parameters
    ----------
    text : str
        Anything, for example a target's name from a header.
    fallback : str
        Taken when nothing of `text` is left.
    most_bytes : int
        Longest result, bytes in UTF-8.

    Returns
    -------
    str
        Letters, digits and ``_ . + -`` only, other runs becoming one "_";
        neither begins nor ends with a dot, "_" or "-" ("CON" and the like get
        "_" appended, being kept by Windows). Safe names stay as they are.
    """
    plain = unicodedata.normalize("NFKC", text)
    plain = re.sub(r"\.{2,}", ".", _UNSAFE.sub("_", plain)).strip("._-")
    plain = plain.encode()[:most_bytes].decode(errors="ignore").strip("._-")
    if not plain:
        return fallback
    stem, dot, rest = plain.partition(".")
    if stem.casefold() in _DEVICE_NAMES:
        return f"{stem}_{dot}{rest}"
    return plain


def safe_names(texts: Iterable[str], *, fallback: str = "unnamed") -> dict[str, str]:
    """Make several texts safe, and different even where case does not count.

    Parameters
    ----------
    texts : iterable of str
        Names that must stay apart, for example the filters r and R.
    fallback : str
        Taken when nothing of a text is left.

    Returns
    -------
    dict of str to str
        Safe name of each text; the second of two equal ones ends in "-2".
    """
    names: dict[str, str] = {}
    taken: set[str] = set()
    for text in dict.fromkeys(texts):
        name = safe_name(text, fallback=fallback)
        candidate, count = name, 1
        while candidate.casefold() in taken:
            count += 1
            candidate = f"{name}-{count}"
        taken.add(candidate.casefold())
        names[text] = candidate
    return names


def setup_label(setup: Setup) -> str:
    """Return a short safe name that tells one setup from all others.

    Parameters
    ----------
    setup : Setup
        What the frames were taken with.

    Returns
    -------
    str
        For example "530mm-bin1-gain100-3fa94c": focal length (else telescope,
        else camera), binning, gain setting, and six hexadecimal digits that
        differ when any fact of the setup does. The same in every run.
    """
    camera = setup.camera
    if setup.focal_length_mm is not None:
        optics = f"{setup.focal_length_mm:.0f}mm"
    else:
        optics = safe_name(setup.telescope or camera.camera or "", fallback="setup", most_bytes=24)
    x, y = camera.binning
    parts = [optics, f"bin{x}" if x == y else f"bin{x}x{y}"]
    if camera.gain_setting is not None:
        parts.append(f"gain{camera.gain_setting:g}")
    facts = (
        *(setup.telescope, setup.focal_length_mm, camera.camera, camera.binning),
        *(camera.gain_setting, camera.offset_setting, camera.read_mode, camera.shape),
    )
    parts.append(hashlib.sha256(repr(facts).encode()).hexdigest()[:6])
    return "-".join(parts)
