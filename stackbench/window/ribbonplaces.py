"""Where the subs lie in the ribbon: by their time from left to right, by their lane."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from PySide6.QtCore import QPointF, QRectF

from stackbench.window.night import SubRow
from stackbench.window.ribbonroom import Box, RibbonRoom
from stackbench.window.timeline import Timeline

LEAST_CELL = 3.0
_UNTIMED_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where a sub's cell is drawn."""

    row: SubRow
    box: Box


class RibbonPlaces:
    """Places the subs' cells; `timeline` places moments, `cells` are as last laid out.

    Parameters
    ----------
    rows : sequence of SubRow
        The subs in order of time, those without one last.
    """

    def __init__(self, rows: Sequence[SubRow]) -> None:
        self._rows = rows
        exposures: list[tuple[float, float]] = []
        last = 0.0
        for row in rows:
            length = row.frame.exposure_s or _UNTIMED_S
            # what has no time comes after all that has, one after the other
            start = row.frame.time.timestamp() if row.frame.time is not None else last
            exposures.append((start, length))
            last = max(last, start + length)
        self.timeline = Timeline(exposures)
        self._spans = [
            (self.timeline.place(start), self.timeline.place(start + length))
            for start, length in exposures
        ]
        self.cells: tuple[Placed, ...] = ()

    def lay_out(self, room: RibbonRoom) -> None:
        """Place the cells in a room.

        Parameters
        ----------
        room : RibbonRoom
            The ribbon's room.
        """
        cells = []
        lanes = [room.lane(number) for number in range(room.lanes)]
        tops = [(lane.top() + 3, lane.height() - 6) for lane in lanes]
        left, wide = room.x(0.0), room.wide
        for row, (start, stop) in zip(self._rows, self._spans, strict=True):
            top, height = tops[row.lane]
            width = max(wide * (stop - start) - 1, LEAST_CELL)
            box = Box(left + wide * start, top, width, height)
            cells.append(Placed(row=row, box=box))
        self.cells = tuple(cells)

    def centres(self) -> dict[Path, float]:
        """Tell the middle of every cell.

        Returns
        -------
        dict of Path to float
            The x of every sub.
        """
        return {one.row.path: one.box.left + one.box.width / 2 for one in self.cells}

    def box_of(self, path: Path) -> Box | None:
        """Tell where a sub's cell is.

        Parameters
        ----------
        path : Path
            The sub.

        Returns
        -------
        Box or None
            None for a file that is no sub of the night.
        """
        return next((one.box for one in self.cells if one.row.path == path), None)

    def bracket(self, marked: tuple[datetime, datetime], room: RibbonRoom) -> QRectF:
        """Tell where a stretch of time is bracketed.

        Parameters
        ----------
        marked : tuple of datetime
            Begin and end.
        room : RibbonRoom
            Where everything lies.

        Returns
        -------
        QRectF
            As high as the night, no narrower than a cell.
        """
        left, right = (room.x(self.timeline.place(one.timestamp())) for one in marked)
        night = room.night()
        return QRectF(left, night.top(), max(right - left, LEAST_CELL), night.height())

    def at(self, place: QPointF) -> SubRow | None:
        """Find the sub whose cell lies at a place.

        Parameters
        ----------
        place : QPointF
            In the ribbon.

        Returns
        -------
        SubRow or None
            None beside the cells.
        """
        x, y = place.x(), place.y()
        near = (
            one.row
            for one in self.cells
            if one.box.left - 1 <= x <= one.box.right + 1
            and one.box.top - 3 <= y <= one.box.bottom + 3
        )
        return next(near, None)

    def within(self, band: QRectF, *, all_lanes: bool) -> frozenset[Path]:
        """List the subs whose cells a band touches.

        Parameters
        ----------
        band : QRectF
            In the ribbon.
        all_lanes : bool
            Whether only its left and right edge count.

        Returns
        -------
        frozenset of Path
            The subs.
        """
        left, right, top, bottom = band.left(), band.right(), band.top(), band.bottom()
        return frozenset(
            one.row.path
            for one in self.cells
            if one.box.right >= left
            and one.box.left <= right
            and (all_lanes or (one.box.bottom >= top and one.box.top <= bottom))
        )
