"""Exposures that are meant to be the same, though headers tell them as measured."""

import math
from collections.abc import Sequence

_ALIKE = 0.02  # of the shortest; counts of stars and sky change by as little


def alike_exposures(exposures: Sequence[float | None]) -> list[float | None]:
    """Give exposures that are meant to be the same one value.

    Parameters
    ----------
    exposures : sequence of float or None
        Exposures, s; None or NaN where unknown.

    Returns
    -------
    list of float or None
        For each the shortest of those within 2 % that it goes with; None where
        unknown.
    """
    shortest: dict[float, float] = {}
    first = 0.0
    for exposure in sorted({one for one in exposures if one is not None and math.isfinite(one)}):
        if not are_alike(exposure, first):
            first = exposure
        shortest[exposure] = first
    return [None if one is None else shortest.get(one) for one in exposures]


def are_alike(exposure: float | None, shortest: float) -> bool:
    """Tell whether an exposure goes with others.

    Parameters
    ----------
    exposure : float or None
        The exposure, s.
    shortest : float
        The shortest of the others, s.

    Returns
    -------
    bool
        False for an unknown exposure.
    """
    return exposure is not None and shortest <= exposure <= shortest * (1 + _ALIKE)
