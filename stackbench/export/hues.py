"""How a filter is drawn: hues follow wavelength, and a shape says the same without colour."""

from collections.abc import Iterable
from dataclasses import dataclass

from stackbench.frames.filters import filter_name


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
_KNOWN = {
    # in the order of wavelengths; nanometres near the middle of the pass band
    "L": (_INK, "circle"),
    "U": ("#0072B2", "pillar"),  # 365
    "B": ("#0072B2", "down"),  # 450
    "Hb": ("#56B4E9", "pillar"),  # 486
    "OIII": ("#56B4E9", "diamond"),  # 501
    "G": ("#009E73", "square"),  # 530
    "V": ("#F0E442", "bar"),  # 551
    "R": ("#E69F00", "up"),  # 640
    "Ha": ("#D55E00", "hexagon"),  # 656
    "NII": ("#D55E00", "bar"),  # 658
    "SII": ("#CC79A7", "pillar"),  # 672
    "I": ("#CC79A7", "bar"),  # 800
}
_ORDER = tuple(_KNOWN)
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
        usual = filter_name(name)
        if usual in _KNOWN:
            hue, shape = _KNOWN[usual]
            order = _ORDER.index(usual)
        else:
            hue, shape = _INK, _OTHERS[strangers % len(_OTHERS)]
            order = len(_ORDER) + strangers
            strangers += 1
        marks[name] = FilterMark(hue=hue, shape=_SHAPES[shape], order=order)
    return dict(sorted(marks.items(), key=lambda item: (item[1].order, item[0] or "")))
