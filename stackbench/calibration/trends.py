"""How a level changes with time or temperature, and whether that is more than chance."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_LEAST_POINTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A straight line's slope, its 1σ from the scatter about the line, and its reach.

    `change` is the slope times the range of what it was measured against.
    """

    slope: float
    error: float
    change: float

    @property
    def significance(self) -> float:
        """The slope in units of its error.

        Returns
        -------
        float
            Infinite for points exactly on a sloping line, 0 for equal values.
        """
        if self.slope == 0:
            return 0.0
        return abs(self.slope) / self.error if self.error > 0 else np.inf


def trend(
    against: Sequence[float], values: Sequence[float], *, value_error: float = 0.0
) -> Trend | None:
    """Fit a straight line by least squares.

    Parameters
    ----------
    against : sequence of float
        Times, temperatures, …; NaN takes a point out.
    values : sequence of float
        The values there; NaN takes a point out.
    value_error : float
        1σ that each value is known to have at least.

    Returns
    -------
    Trend or None
        None with fewer than three points, or all at one place.
    """
    x, y = np.asarray(against, dtype=np.float64), np.asarray(values, dtype=np.float64)
    defined = np.isfinite(x) & np.isfinite(y)
    x, y = x[defined], y[defined]
    if x.size < _LEAST_POINTS or np.ptp(x) == 0:
        return None
    away = x - x.mean()
    spread = float((away**2).sum())
    slope = float((away * y).sum()) / spread
    residuals = y - y.mean() - slope * away
    scatter = float(np.sqrt((residuals**2).sum() / (x.size - 2)))
    return Trend(
        slope=slope,
        error=max(scatter, value_error) / spread**0.5,
        change=slope * float(np.ptp(x)),
    )
