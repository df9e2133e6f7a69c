"""Time from left to right, with the hours in which nothing was taken folded away."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

_FOLD_S = 5400.0
_FOLDED_S = 600.0
_TICKS_S = (300, 600, 900, 1800, 3600, 7200, 14400)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A run of exposures without a long gap; `offset_s` is where it is drawn."""

    start_s: float
    stop_s: float
    offset_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A full hour, or part of one, to be written at a place from 0 to 1."""

    place: float
    time_s: float


class Timeline:
    """Places moments on a line from 0 to 1.

    Parameters
    ----------
    exposures : sequence of (float, float)
        Start, s since some epoch, and length, s, of every exposure.
    """

    def __init__(self, exposures: Sequence[tuple[float, float]]) -> None:
        self.stretches: list[Stretch] = []
        offset = 0.0
        start = stop = math.nan
        for begin, length in sorted(exposures):
            if math.isnan(start):
                start, stop = begin, begin + length
            elif begin - stop > _FOLD_S:
                self.stretches.append(Stretch(start_s=start, stop_s=stop, offset_s=offset))
                offset += stop - start + _FOLDED_S
                start, stop = begin, begin + length
            else:
                stop = max(stop, begin + length)
        if not math.isnan(start):
            self.stretches.append(Stretch(start_s=start, stop_s=stop, offset_s=offset))
        last = self.stretches[-1] if self.stretches else None
        self._total = last.offset_s + last.stop_s - last.start_s if last else 0.0
        self._total = self._total or 1.0

    def place(self, time_s: float) -> float:
        """Place a moment.

        Parameters
        ----------
        time_s : float
            The moment, s since the same epoch.

        Returns
        -------
        float
            From 0 to 1.
        """
        for stretch in self.stretches:
            if time_s <= stretch.stop_s:
                inside = max(time_s, stretch.start_s) - stretch.start_s
                return (stretch.offset_s + inside) / self._total
        return 1.0

    def moment(self, place: float) -> float | None:
        """Tell the moment at a place.

        Parameters
        ----------
        place : float
            From 0 to 1.

        Returns
        -------
        float or None
            s since the epoch; None where time is folded, or out of the line.
        """
        offset = place * self._total
        for stretch in self.stretches:
            inside = offset - stretch.offset_s
            if 0 <= inside <= stretch.stop_s - stretch.start_s:
                return stretch.start_s + inside
        return None

    def folds(self) -> list[tuple[float, float]]:
        """List where time is folded.

        Returns
        -------
        list of (float, float)
            Begin and end of every fold, from 0 to 1.
        """
        return [
            (self.place(one.stop_s), self.place(other.start_s))
            for one, other in zip(self.stretches, self.stretches[1:], strict=False)
        ]

    def ticks(self, most: int) -> list[Tick]:
        """Choose full hours, or parts, to write under the line.

        Parameters
        ----------
        most : int
            How many there is room for.

        Returns
        -------
        list of Tick
            In order.
        """
        step = next((s for s in _TICKS_S if self._total / s <= most), _TICKS_S[-1])
        ticks = []
        for stretch in self.stretches:
            first = math.ceil(stretch.start_s / step) * step
            for number in range(int((stretch.stop_s - first) // step) + 1):
                time_s = float(first + number * step)
                ticks.append(Tick(place=self.place(time_s), time_s=time_s))
        return ticks
