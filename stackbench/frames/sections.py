"""Section strings such as '[17:528,1:520]': a part of the frame in FITS counting."""

import re

_RANGE = re.compile(r"([+]?\d+)\s*:\s*([+]?\d+)")


def section_slices(section: str, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Translate a section into the slices of an array.

    Parameters
    ----------
    section : str
        '[x1:x2,y1:y2]', counted from 1, both ends included, x first; blanks
        are free. ':' or '*' stands for a whole axis, as does an axis left out.
    shape : tuple of int
        The array's (ny, nx).

    Returns
    -------
    tuple of slice
        (rows, columns), 0-based, ends excluded: `data[rows, columns]`.

    Raises
    ------
    ValueError
        If the section is malformed, runs backwards or leaves the array.

    Notes
    -----
    The sections of BIASSEC and TRIMSEC are a custom of observatories, not part
    of the FITS Standard.
    """
    body = section.strip()
    if not (body.startswith("[") and body.endswith("]")):
        raise ValueError(f"section {section!r} is not of the form [x1:x2,y1:y2]")
    axes = [axis.strip() for axis in body[1:-1].split(",")]
    if len(axes) > 2 or axes == [""]:
        raise ValueError(f"section {section!r} is not of the form [x1:x2,y1:y2]")
    ny, nx = shape
    columns = _axis_slice(axes[0], nx, section)
    rows = _axis_slice(axes[1], ny, section) if len(axes) == 2 else slice(0, ny)
    return rows, columns


def is_empty_section(section: str) -> bool:
    """Tell whether a section is one of the fillings that stand for none.

    Parameters
    ----------
    section : str
        A header's value.

    Returns
    -------
    bool
        True for '', '[]', '[0:0,0:0]' and the like.
    """
    return section.strip("[]0:, '") == ""


def _axis_slice(axis: str, size: int, section: str) -> slice:
    if axis in {":", "*"}:
        return slice(0, size)
    match = _RANGE.fullmatch(axis)
    if match is None:
        raise ValueError(f"section {section!r} is not of the form [x1:x2,y1:y2]")
    first, last = int(match[1]), int(match[2])
    if not 1 <= first <= last <= size:
        raise ValueError(f"section {section!r} does not fit an axis of {size} pixels")
    return slice(first - 1, last)
