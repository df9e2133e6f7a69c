"""How the stars' shape changes over the sensor, drawn as a table of cells."""

import math
from dataclasses import dataclass

from stackbench.export.lessons import FieldMapEntry

_WIDEST, _HIGHEST = 360.0, 260.0
_STICK = 0.42  # of a cell's shorter side, half the length at eccentricity 1
# a field that hardly changes must not look as if it did
_LEAST_SPAN = 0.10


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCell:
    """One zone, px from the top left.

    `shade` runs from 0 (smallest stars) to 1; `dx`, `dy` is half the stick that shows length
    and direction of the common elongation, 0 when unknown.
    """

    x: float
    y: float
    fwhm_px: float | None
    eccentricity: float | None
    shade: float
    dx: float
    dy: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPicture:
    """The cells of one target and setup, each `cell_width` × `cell_height` px."""

    entry: FieldMapEntry
    width: float
    height: float
    cell_width: float
    cell_height: float
    cells: tuple[FieldCell, ...]


def field_picture(entry: FieldMapEntry) -> FieldPicture | None:
    """Lay out a field map.

    Parameters
    ----------
    entry : FieldMapEntry
        Any number of equal zones.

    Returns
    -------
    FieldPicture or None
        The first row of pixels lies at the bottom, as in the previews. None
        when no zone knows its FWHM.
    """
    known = [value for row in entry.fwhm_px for value in row if value is not None]
    if not known:
        return None
    ny, nx = entry.shape
    scale = min(_WIDEST / nx, _HIGHEST / ny)
    rows, columns = len(entry.fwhm_px), len(entry.fwhm_px[0])
    width, height = round(nx * scale / columns, 1), round(ny * scale / rows, 1)
    low = min(known)
    span = max(max(known) - low, _LEAST_SPAN * low)
    cells = tuple(
        _cell(entry, row, column, x=column * width, y=(rows - 1 - row) * height,
              half=_STICK * min(width, height), low=low, span=span)
        for row in range(rows)
        for column in range(columns)
    )  # fmt: skip
    return FieldPicture(
        entry=entry,
        width=width * columns,
        height=height * rows,
        cell_width=width,
        cell_height=height,
        cells=cells,
    )


def _cell(
    entry: FieldMapEntry,
    row: int,
    column: int,
    *,
    x: float,
    y: float,
    half: float,
    low: float,
    span: float,
) -> FieldCell:
    fwhm = entry.fwhm_px[row][column]
    eccentricity, angle = entry.eccentricity[row][column], entry.angle_deg[row][column]
    dx = dy = 0.0
    told = f"{entry.count[row][column]} stars"
    if eccentricity is not None and angle is not None:
        length = half * eccentricity
        # y runs up in the picture and down on the page
        dx = round(length * math.cos(math.radians(angle)), 1)
        dy = round(-length * math.sin(math.radians(angle)), 1)
        told += f", eccentricity {eccentricity:.2f} towards {angle:.0f}°"
    return FieldCell(
        x=round(x, 1),
        y=round(y, 1),
        fwhm_px=fwhm,
        eccentricity=eccentricity,
        shade=0.0 if fwhm is None else round((fwhm - low) / span, 2),
        dx=dx,
        dy=dy,
        label=told if fwhm is None else f"FWHM {fwhm:.2f} px, {told}",
    )
