"""Whether a camera answers in proportion to the light: flats of several exposures."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

_LEAST_EXPOSURES = 3
# Flats whose light was steady agree this well with the others; twilight, whose
# exposures are set to keep the level, does not (common practice, no source).
_STEADY = 0.25
_REPEATED = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Linearity:
    """Signal against exposure: the rate, and how far the points are from it.

    `rate_adu_s` is the slope of the line through zero. `mean_deviation` and
    `largest_deviation` are those of |signal / line − 1|.
    """

    rate_adu_s: float
    mean_deviation: float
    largest_deviation: float
    points: int


def linearity(exposures_s: Sequence[float], signals_adu: Sequence[float]) -> Linearity | None:
    """Measure how far a camera is from answering in proportion to exposure.

    Parameters
    ----------
    exposures_s : sequence of float
        Exposures of flats under one steady light, above 0.
    signals_adu : sequence of float
        Their levels above the bias.

    Returns
    -------
    Linearity or None
        None with fewer than three different exposures, or when the light was
        not steady: equal exposures that differ by over 2 %, or rates by over 25 %.

    Notes
    -----
    The line is through zero, by least squares of the relative deviations, as
    EMVA 1288 Release 4.0 Linear has it for the linearity error (from memory;
    there with an intercept).
    """
    exposure = np.asarray(exposures_s, dtype=np.float64)
    signal = np.asarray(signals_adu, dtype=np.float64)
    good = np.isfinite(exposure) & np.isfinite(signal) & (exposure > 0) & (signal > 0)
    exposure, signal = exposure[good], signal[good]
    different = np.unique(exposure)
    if different.size < _LEAST_EXPOSURES:
        return None
    rates = signal / exposure
    for one in different:
        alike = rates[exposure == one]
        if np.ptp(alike) > _REPEATED * alike.mean():
            return None
    if np.ptp(rates) > _STEADY * np.median(rates):
        return None
    # least squares of 1 − rate × exposure / signal
    inverse = exposure / signal
    rate = float(inverse.sum() / (inverse**2).sum())
    away = np.abs(signal / (rate * exposure) - 1)
    return Linearity(
        rate_adu_s=rate,
        mean_deviation=float(away.mean()),
        largest_deviation=float(away.max()),
        points=int(signal.size),
    )
