"""How a filter is drawn: hues follow wavelength, and a shape says the same without colour."""

import re
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterMark:
    """The hue and the shape that stand for a filter, and its place in the order.

    `hue` is a CSS colour, or a CSS variable for the ink of the page; `shape`
    is an SVG path around (0, 0), about 10 px across.
    """

    hue: str
    shape: str
    order: int


# Hues: Okabe & Ito 2008, Color Universal Design, put in the order of wavelengths.
_SHAPES = {
    "circle": "M-4.5,0a4.5,4.5 0 1,0 9,0a4.5,4.5 0 1,0 -9,0z",
    "square": "M-4,-4h8v8h-8z",
    "diamond": "M0,-5.6L5.6,0L0,5.6L-5.6,0z",
    "up": "M0,-5L5,4L-5,4z",
    "down": "M0,5L5,-4L-5,-4z",
    "hexagon": "M-5,0L-2.5,-4.4L2.5,-4.4L5,0L2.5,4.4L-2.5,4.4z",
    "bar": "M-5.5,-2.6h11v5.2h-11z",
    "pillar": "M-2.6,-5.5h5.2v11h-5.2z",
}
_INK = "var(--muted)"
_KNOWN = (
    # names in lower case without blanks and dashes; nanometres near the middle of the pass band
    (("l", "lum", "luminance", "clear", "c"), _INK, "circle"),
    (("u",), "#0072B2", "pillar"),  # 365
    (("b", "blue"), "#0072B2", "down"),  # 450
    (("hb", "hbeta"), "#56B4E9", "pillar"),  # 486
    (("oiii", "o3", "o"), "#56B4E9", "diamond"),  # 501
    (("g", "green"), "#009E73", "square"),  # 530
    (("v",), "#F0E442", "bar"),  # 551
    (("r", "red"), "#E69F00", "up"),  # 640
    (("ha", "halpha", "h"), "#D55E00", "hexagon"),  # 656
    (("nii", "n2", "n"), "#D55E00", "bar"),  # 658
    (("sii", "s2", "s"), "#CC79A7", "pillar"),  # 672
    (("i", "ir"), "#CC79A7", "bar"),  # 800
)
_OTHERS = ("bar", "pillar", "hexagon", "diamond", "up", "down", "square")


def filter_marks(names: Iterable[str | None]) -> dict[str | None, FilterMark]:
    """Choose a mark for every filter, in the order of wavelengths.

    Parameters
    ----------
    names : iterable of str or None
        Filters as the frames name them; None for frames without a filter.

    Returns
    -------
    dict
        From each name to its mark: luminance first, then from blue to red,
        then names that tell no wavelength, which share the ink's colour.
    """
    marks: dict[str | None, FilterMark] = {}
    strangers = 0
    for name in sorted(set(names), key=lambda name: name or ""):
        key = re.sub(r"[\W_]+", "", (name or "").lower().replace("α", "a").replace("β", "b"))
        for order, (known, hue, shape) in enumerate(_KNOWN):
            if key in known:
                marks[name] = FilterMark(hue=hue, shape=_SHAPES[shape], order=order)
                break
        else:
            shape = _OTHERS[strangers % len(_OTHERS)]
            order = len(_KNOWN) + strangers
            marks[name] = FilterMark(hue=_INK, shape=_SHAPES[shape], order=order)
            strangers += 1
    return dict(sorted(marks.items(), key=lambda item: (item[1].order, item[0] or "")))
