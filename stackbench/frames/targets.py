"""Which target a light belongs to, and one spelling for each target."""

import math
import os
import re
import unicodedata
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from stackbench.frames.filters import is_filter_name
from stackbench.frames.kinds import kind_of_names, name_words
from stackbench.frames.records import Frame, Kind, Pointing

NAMELESS_TARGET = "target"

# Two pointings nearer than this are taken for one target.
_SAME_FIELD_DEG = 0.5
_PLAIN_FOLDER_WORDS = frozenset(
    {
        "night",
        "nights",
        "session",
        "sessions",
        "raw",
        "raws",
        "sub",
        "subs",
        "frame",
        "frames",
        "fits",
        "data",
        "image",
    }
    | {"images", "capture", "captures", "calibration", "s", "sec", "c", "g", "bin", "x", "t", "nm"}
    | {"jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
)


def with_targets(frames: Sequence[Frame], *, folders: Sequence[Path] = ()) -> tuple[Frame, ...]:
    """Give every light a target, and every target one spelling.

    Parameters
    ----------
    frames : sequence of Frame
        Frames of any kind; only lights are changed.
    folders : sequence of Path
        The folders that were scanned. A light without OBJECT takes the name of
        the nearest folder, up to these, that says more than a kind, a filter
        or a date.

    Returns
    -------
    tuple of Frame
        In the order given. Where neither OBJECT nor a folder names the target,
        a light whose pointing is within half a degree of a named target's
        belongs to that, other pointings get a name of their own, and without
        any pointing the target is called "target".
    """
    roots = tuple(Path(os.path.abspath(folder)) for folder in folders)  # noqa: PTH100
    named: dict[Path, str] = {}
    for frame in frames:
        if frame.kind is Kind.LIGHT:
            name = frame.target or _folder_target(frame.path, roots)
            if name is not None:
                named[frame.path] = name
    shown = _spellings(list(named.values()))
    fields = [
        (frame.pointing, shown[target_key(named[frame.path])])
        for frame in frames
        if frame.path in named and frame.pointing is not None
    ]
    placed = []
    for frame in frames:
        if frame.kind is not Kind.LIGHT:
            placed.append(frame)
        elif frame.path in named:
            placed.append(replace(frame, target=shown[target_key(named[frame.path])]))
        else:
            placed.append(replace(frame, target=_pointed_target(frame.pointing, fields)))
    return tuple(placed)


def target_key(name: str) -> str:
    """Return what all spellings of a target have in common.

    Parameters
    ----------
    name : str
        For example "M 51", "m51" or "Sh 2-155".

    Returns
    -------
    str
        Without case, blanks and separators, for example "m51", "sh2-155"; a
        separator between two digits stays, since it divides two numbers.
    """
    plain = unicodedata.normalize("NFKC", name).casefold()
    key = re.sub(r"[\s_-]+", _divider, unicodedata.normalize("NFKC", plain))
    # an accent that stood behind a blank now stands on a letter
    return unicodedata.normalize("NFKC", key)


def _divider(blank: re.Match[str]) -> str:
    before, after = blank.string[: blank.start()][-1:], blank.string[blank.end() :][:1]
    return "-" if before.isdecimal() and after.isdecimal() else ""


def separation_deg(one: Pointing, other: Pointing) -> float:
    """Return the angle between two pointings.

    Parameters
    ----------
    one, other : Pointing
        Positions on the sky.

    Returns
    -------
    float
        Degrees, by the haversine formula, which is exact for small angles too.
    """
    ra1, dec1, ra2, dec2 = map(math.radians, (one.ra_deg, one.dec_deg, other.ra_deg, other.dec_deg))
    half = math.sin((dec2 - dec1) / 2) ** 2
    half += math.cos(dec1) * math.cos(dec2) * math.sin((ra2 - ra1) / 2) ** 2
    return math.degrees(2 * math.asin(min(1.0, math.sqrt(half))))


def _spellings(names: Sequence[str]) -> dict[str, str]:
    """Return the spelling most used for each key; the first among equals."""
    counts: dict[str, Counter[str]] = {}
    for name in names:
        shown = " ".join(name.split())
        counts.setdefault(target_key(name), Counter())[shown] += 1
    return {key: spellings.most_common(1)[0][0] for key, spellings in counts.items()}


def _folder_target(path: Path, roots: Sequence[Path]) -> str | None:
    for folder in path.parents:
        inside = any(folder.is_relative_to(root) for root in roots)
        if not inside:
            return None
        if _names_a_target(folder.name):
            return folder.name.replace("_", " ")
    return None


def _names_a_target(name: str) -> bool:
    if len(name) < 2 or kind_of_names([name]) is not None or is_filter_name(name):
        return False
    words = [word for word in name_words(name) if not word.isdecimal()]
    return any(word not in _PLAIN_FOLDER_WORDS and not is_filter_name(word) for word in words)


def _pointed_target(pointing: Pointing | None, fields: list[tuple[Pointing, str]]) -> str:
    """Name the target nearest to a pointing, remembering a new one."""
    if pointing is None:
        return NAMELESS_TARGET
    near = min(
        ((separation_deg(pointing, place), name) for place, name in fields),
        default=(math.inf, ""),
    )
    if near[0] <= _SAME_FIELD_DEG:
        return near[1]
    hours, minutes = divmod(round(pointing.ra_deg * 4) % 1440, 60)
    name = f"RA {hours:02d}h{minutes:02d}m Dec {round(pointing.dec_deg):+03d}"
    fields.append((pointing, name))
    return name
