"""The axes of the report's charts: time from left to right, a measure from bottom to top."""

import math
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from stackbench.export.night import FrameEntry

WIDTH, HEIGHT = 960.0, 190.0
LEFT, RIGHT, TOP, BOTTOM = 56.0, 72.0, 14.0, 26.0
_NIGHT_GAP = timedelta(hours=6)  # a longer pause is left out of the time axis
_PAUSE = 26.0  # what is drawn instead, px
_LOG_FROM = 8.0  # largest over smallest value, from which a logarithm is easier to read
_FAR = 3.0  # times the upper quartile; higher marks sit at the edge


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A labelled place on an axis, px."""

    at: float
    label: str


class ValueAxis:
    """A measure from bottom to top, linear or, over a wide range, logarithmic.

    Parameters
    ----------
    values : sequence of float
        Finite, at least two.
    also : sequence of float
        Other values that the axis shall hold.
    wide : bool
        Take the logarithm if the values span a factor of eight or more.
    """

    def __init__(
        self, values: Sequence[float], *, also: Sequence[float] = (), wide: bool = False
    ) -> None:
        lowest, highest = min(*values, *also), max(*values, *also)
        self._is_log = wide and lowest > 0 and highest >= _LOG_FROM * lowest
        low, high = (lowest, highest) if self._is_log else _range(values)
        low, high = min(low, *also, low), max(high, *also, high)
        self._ticks = _log_ticks(low, high) if self._is_log else _nice_ticks(low, high)
        self._low, self._high = min(low, self._ticks[0]), max(high, self._ticks[-1])
        self.kind = "logarithmic" if self._is_log else ""

    def holds(self, value: float) -> bool:
        """Tell whether a value lies on the axis.

        Parameters
        ----------
        value : float
            Of the measure.

        Returns
        -------
        bool
            False for one that is drawn at the edge instead.
        """
        return self._low <= value <= self._high

    def place(self, value: float) -> float:
        """Tell where a value sits.

        Parameters
        ----------
        value : float
            Of the measure; beyond the axis it sits at the edge.

        Returns
        -------
        float
            y, px, from the top.
        """
        scale: Callable[[float], float] = math.log10 if self._is_log else float
        low, high = scale(self._low), scale(self._high)
        share = (scale(min(max(value, self._low), self._high)) - low) / (high - low)
        return round(HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM), 1)

    def ticks(self) -> tuple[Tick, ...]:
        """Label the round numbers.

        Returns
        -------
        tuple of Tick
            From the bottom up.
        """
        digits = _digits(self._ticks)
        return tuple(
            Tick(at=self.place(v), label=f"{v:.{digits}f}".replace("-", "−")) for v in self._ticks
        )


class TimeAxis:
    """Time from left to right, with the long pauses between nights left out.

    Parameters
    ----------
    times : sequence of datetime
        In order, at least one, with a zone.
    """

    def __init__(self, times: Sequence[datetime]) -> None:
        spans = [[times[0], times[0]]]
        for time in times[1:]:
            if time - spans[-1][1] > _NIGHT_GAP:
                spans.append([time, time])
            spans[-1][1] = time
        room = WIDTH - LEFT - RIGHT - 16 - _PAUSE * (len(spans) - 1)
        total = sum(((end - start).total_seconds() for start, end in spans), 0.0)
        self._spans: list[tuple[datetime, datetime, float, float]] = []
        x = LEFT + 8
        for start, end in spans:
            # nights of a single sub still get a little room
            width = room * ((end - start).total_seconds() + 60) / (total + 60 * len(spans))
            self._spans.append((start, end, x, width))
            x += width + _PAUSE
        self.pauses = tuple(round(span[2] - _PAUSE / 2, 1) for span in self._spans[1:])

    def place(self, time: datetime) -> float:
        """Tell where a moment sits.

        Parameters
        ----------
        time : datetime
            Within the times of the axis.

        Returns
        -------
        float
            x, px.
        """
        begun = [span for span in self._spans if span[0] <= time]
        start, end, x, width = begun[-1] if begun else self._spans[0]
        share = (time - start).total_seconds() / ((end - start).total_seconds() + 60)
        return round(x + width * share, 1)

    def ticks(self) -> tuple[Tick, ...]:
        """Choose full hours, or parts of them, that do not crowd.

        Returns
        -------
        tuple of Tick
            From left to right; the first of every night also tells the date.
        """
        found: list[Tick] = []
        for start, end, _, width in self._spans:
            hours = (end - start).total_seconds() / 3600
            steps = (0.25, 0.5, 1, 2, 3, 6)
            step = next((s for s in steps if hours / s <= max(width / 62, 1)), 12)
            at = start.replace(hour=0, minute=0, second=0, microsecond=0)
            labelled = False
            while at <= end:
                if at >= start:
                    found.append(Tick(at=self.place(at), label=f"{at:%H:%M}"))
                    labelled = True
                at += timedelta(hours=step)
            if not labelled:
                found.append(Tick(at=self.place(start), label=f"{start:%H:%M}"))
        return tuple(found)


def time_axis(subs: Iterable[FrameEntry]) -> TimeAxis | None:
    """Lay out one time axis for the ribbon and all charts of a night.

    Parameters
    ----------
    subs : iterable of FrameEntry
        The lights; those without a time are left out.

    Returns
    -------
    TimeAxis or None
        From the start of the first exposure to the end of the last; None
        when no time is known.
    """
    times = sorted(time for span in exposure_spans(subs) for time in span)
    return TimeAxis(times) if times else None


def exposure_spans(subs: Iterable[FrameEntry]) -> list[tuple[datetime, datetime]]:
    """Tell from when to when subs were exposed.

    Parameters
    ----------
    subs : iterable of FrameEntry
        The lights; those without a time are left out.

    Returns
    -------
    list of tuple of datetime
        Start and end, UTC; an unknown exposure counts as none.
    """
    starts = [(in_utc(sub.time), sub.exposure_s or 0.0) for sub in subs if sub.time is not None]
    return [(start, start + timedelta(seconds=length)) for start, length in starts]


def in_utc(time: datetime) -> datetime:
    """Give a moment its zone.

    Parameters
    ----------
    time : datetime
        Without a zone it counts as UTC.

    Returns
    -------
    datetime
        The same moment in UTC.
    """
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def _range(values: Sequence[float]) -> tuple[float, float]:
    """Span the values, but not those so high that they would flatten the rest."""
    third = statistics.quantiles(values, n=4, method="inclusive")[2]
    near = [value for value in values if value <= _FAR * third] if third > 0 else values
    lowest, high = min(values), max(near)
    # a measure that hardly changes must not look as if it did
    least = 0.02 * max(abs(lowest), abs(high)) or 1.0
    if high - lowest < least:
        middle = (high + lowest) / 2
        return middle - least / 2, middle + least / 2
    return lowest, high


def _nice_ticks(low: float, high: float) -> list[float]:
    """Choose three to six round numbers that span the range."""
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * power for factor in (1, 2, 2.5, 5, 10) if factor * power >= rough)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [step * number for number in range(first, last + 1)]


def _log_ticks(low: float, high: float) -> list[float]:
    """Choose 1, 2 and 5 times the powers of ten that span the range."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    ticks = [factor * 10.0**power for power in range(first, last + 1) for factor in (1, 2, 5)]
    start = max(i for i, tick in enumerate(ticks) if tick <= low)
    end = min(i for i, tick in enumerate(ticks) if tick >= high)
    return ticks[start : end + 1]


def _digits(ticks: Sequence[float]) -> int:
    step = ticks[1] - ticks[0]
    return next((n for n in range(7) if abs(round(step, n) - step) < 1e-9 * max(step, 1e-9)), 7)
