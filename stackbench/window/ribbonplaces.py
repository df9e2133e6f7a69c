"""Where the subs lie in the ribbon: by their time from left to right, by their lane."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PySide6.QtCore import QPointF, QRectF

from stackbench.window.night import SubRow
from stackbench.window.ribbonroom import RibbonRoom
from stackbench.window.timeline import Timeline

LEAST_CELL = 3.0
_UNTIMED_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where a sub's cell is drawn."""

    row: SubRow
    rect: QRectF


class RibbonPlaces:
    """Places the subs' cells; `timeline` places moments, `cells` are as last laid out.

    Parameters
    ----------
    rows : sequence of SubRow
        The subs in order of time, those without one last.
    """

    def __init__(self, rows: Sequence[SubRow]) -> None:
        self._rows = rows
        self._exposures: list[tuple[float, float]] = []
        last = 0.0
        for row in rows:
            length = row.frame.exposure_s or _UNTIMED_S
            # what has no time comes after all that has, one after the other
            start = row.frame.time.timestamp() if row.frame.time is not None else last
            self._exposures.append((start, length))
            last = max(last, start + length)
        self.timeline = Timeline(self._exposures)
        self.cells: tuple[Placed, ...] = ()

    def lay_out(self, room: RibbonRoom) -> None:
        """Place the cells in a room.

        Parameters
        ----------
        room : RibbonRoom
            The ribbon's room.
        """
        cells = []
        for row, (start, length) in zip(self._rows, self._exposures, strict=True):
            left, right = (room.x(self.timeline.place(one)) for one in (start, start + length))
            lane = room.lane(row.lane)
            wide = max(right - left - 1, LEAST_CELL)
            rect = QRectF(left, lane.top() + 3, wide, lane.height() - 6)
            cells.append(Placed(row=row, rect=rect))
        self.cells = tuple(cells)

    def centres(self) -> dict[Path, float]:
        """Tell the middle of every cell.

        Returns
        -------
        dict of Path to float
            The x of every sub.
        """
        return {placed.row.path: placed.rect.center().x() for placed in self.cells}

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
        near = (one.row for one in self.cells if one.rect.adjusted(-1, -3, 1, 3).contains(place))
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
        return frozenset(
            one.row.path
            for one in self.cells
            if one.rect.right() >= band.left()
            and one.rect.left() <= band.right()
            and (all_lanes or (one.rect.bottom() >= band.top() and one.rect.top() <= band.bottom()))
        )
