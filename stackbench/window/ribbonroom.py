"""Where the parts of the ribbon lie: hours, sky, lanes, curve."""

from dataclasses import dataclass
from typing import NamedTuple

from PySide6.QtCore import QRectF

GUTTER = 132  # for words at the left
_RIGHT = 58
_AXIS = 20
_SKY = 20
_LANE = 24
_MOST_LANES = 10
_CURVE = 84
_GAP = 8
_FOOT = 4


class Box(NamedTuple):
    """A rectangle in plain numbers: hundreds of Qt's own take too long beside a job."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """The right edge.

        Returns
        -------
        float
            Its x.
        """
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """The lower edge.

        Returns
        -------
        float
            Its y.
        """
        return self.top + self.height


@dataclass(frozen=True, slots=True, kw_only=True)
class RibbonRoom:
    """A ribbon's size, its number of lanes, and whether it shows the sky; in pixels."""

    width: float
    height: float
    lanes: int
    sky: bool

    @property
    def wide(self) -> float:
        """How wide the night is drawn.

        Returns
        -------
        float
            Without the words at both sides.
        """
        return max(self.width - GUTTER - _RIGHT, 50.0)

    @property
    def top(self) -> float:
        """Where the lanes begin.

        Returns
        -------
        float
            Below the hours and the sky.
        """
        return _AXIS + (_SKY if self.sky else 0)

    def x(self, place: float) -> float:
        """Tell where a place of the timeline is drawn.

        Parameters
        ----------
        place : float
            From 0 to 1.

        Returns
        -------
        float
            The x.
        """
        return GUTTER + self.wide * place

    def hours(self) -> QRectF:
        """Give the room of the hours.

        Returns
        -------
        QRectF
            At the top, as wide as the night.
        """
        return QRectF(GUTTER, 0, self.wide, _AXIS)

    def night(self) -> QRectF:
        """Give the room below the hours.

        Returns
        -------
        QRectF
            Sky, lanes and curve.
        """
        return QRectF(GUTTER, _AXIS, self.wide, self.height - _FOOT - _AXIS)

    def sky_lane(self) -> QRectF:
        """Give the room of the Moon.

        Returns
        -------
        QRectF
            Below the hours.
        """
        return QRectF(GUTTER, _AXIS, self.wide, _SKY)

    def lane(self, number: int) -> QRectF:
        """Give the room of a lane.

        Parameters
        ----------
        number : int
            From 0.

        Returns
        -------
        QRectF
            As wide as the night.
        """
        room = self.height - self.top - _GAP - _CURVE - 6
        height = min(_LANE, room / max(self.lanes, 1))
        return QRectF(GUTTER, self.top + number * height, self.wide, height)

    def curve(self) -> QRectF:
        """Give the room of the curve.

        Returns
        -------
        QRectF
            At the foot.
        """
        return QRectF(GUTTER, self.height - _CURVE - _FOOT, self.wide, _CURVE)

    def height_wanted(self) -> int:
        """Tell how high the ribbon would like to be.

        Returns
        -------
        int
            For all its lanes, as long as they are not too many.
        """
        lanes = min(max(self.lanes, 1), _MOST_LANES)
        return round(self.top) + lanes * _LANE + _GAP + _CURVE + 6
