"""Colours, light and dark, and how filters are drawn."""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QPainterPath, QPalette
from PySide6.QtSvg import QSvgRenderer

from stackbench.export.hues import FilterMark, filter_marks
from stackbench.window.contrast import told_apart
from stackbench.window.paths import path_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The colours of one scheme; texts on `ground` and `panel` meet WCAG AA.

    `ink` and `muted` are for text, `line` for what divides, `edge` for the
    outlines of controls, `well` lies behind pictures and the ribbon. `accent`
    marks what is chosen, `accent_ink` is text on it. `warn` is for text that
    asks to be looked at.
    """

    dark: bool
    ground: str
    panel: str
    well: str
    line: str
    edge: str
    ink: str
    muted: str
    accent: str
    accent_ink: str
    warn: str

    def filter_hue(self, mark: FilterMark) -> QColor:
        """Give the colour of a filter.

        Parameters
        ----------
        mark : FilterMark
            The filter's mark.

        Returns
        -------
        QColor
            Its hue, as dark or light as it takes to be seen; the muted ink for
            filters without one.
        """
        if mark.hue.startswith("var("):
            return QColor(self.muted)
        # of all grounds marks are drawn on, the one that is nearest to them
        ground = self.panel if self.dark else self.well
        return QColor(_seen(mark.hue, ground))


@cache
def _seen(hue: str, ground: str) -> str:
    """Name the colour once; the ribbon asks for every cell, whenever it is drawn."""
    return told_apart(QColor(hue), QColor(ground)).name()


LIGHT = Look(
    dark=False,
    ground="#f3f2ee",
    panel="#fcfbf9",
    well="#e6e5df",
    line="#c9c7bf",
    edge="#83817a",
    ink="#1d2126",
    muted="#575c63",
    accent="#0067a3",
    accent_ink="#ffffff",
    warn="#9a4a00",
)
DARK = Look(
    dark=True,
    ground="#16191d",
    panel="#1f2329",
    well="#0f1114",
    line="#3b414a",
    edge="#737b87",
    ink="#e9ebee",
    muted="#a7adb6",
    accent="#62b9ea",
    accent_ink="#0c1116",
    warn="#f0a95c",
)


def look_for(scheme: Qt.ColorScheme) -> Look:
    """Choose the look that the system asks for.

    Parameters
    ----------
    scheme : Qt.ColorScheme
        What the system says.

    Returns
    -------
    Look
        Light where it does not say.
    """
    return DARK if scheme is Qt.ColorScheme.Dark else LIGHT


def look_of(palette: QPalette) -> Look:
    """Tell which scheme a widget is drawn in.

    Parameters
    ----------
    palette : QPalette
        The widget's palette.

    Returns
    -------
    Look
        The scheme.
    """
    return DARK if palette.color(QPalette.ColorRole.Window).lightness() < 128 else LIGHT


def marks_of(filters: Iterable[str | None]) -> dict[str | None, FilterMark]:
    """Choose a mark for every filter; see `stackbench.export.hues`.

    Parameters
    ----------
    filters : iterable of str or None
        The filters.

    Returns
    -------
    dict
        In the order of wavelengths.
    """
    return filter_marks(filters)


def shape_of(mark: FilterMark) -> QPainterPath:
    """Give the outline of a filter's mark.

    Parameters
    ----------
    mark : FilterMark
        The mark.

    Returns
    -------
    QPainterPath
        Around (0, 0), about 10 px across.
    """
    return path_of(mark.shape)


def icon_renderer(name: str, colour: str) -> QSvgRenderer:
    """Draw one of our icons in a colour.

    Parameters
    ----------
    name : str
        The icon's file name without ending.
    colour : str
        What its strokes are drawn in.

    Returns
    -------
    QSvgRenderer
        The drawing.
    """
    from stackbench.window.icons import icon_svg

    return QSvgRenderer(icon_svg(name, colour))
