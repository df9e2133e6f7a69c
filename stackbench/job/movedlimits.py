"""Limits moved by hand: from a place on a curve to the settings that put them there."""

from dataclasses import replace
from typing import Any

from stackbench.review.limits import Limits
from stackbench.review.typical import BadSide, RelativeLimit

_RELATIVE = {
    "fwhm_px": ("fwhm", BadSide.ABOVE, "fwhm_max_px"),
    "transparency": ("transparency", BadSide.BELOW, "transparency_min"),
    "stars": ("stars", BadSide.BELOW, "stars_min"),
    "sky_adu": ("sky", BadSide.ABOVE, "sky_max_adu"),
}
_FACTOR = 3.0
# A limit at the typical value itself would reject half of a good night.
_CLOSEST = 0.01

MOVABLE = (*_RELATIVE, "eccentricity")


def moved(limits: Limits, *, measure: str, value: float, typical: float | None) -> Limits:
    """Move the limit of one measure to a value within one group.

    Parameters
    ----------
    limits : Limits
        The limits as they are.
    measure : str
        One of `MOVABLE`.
    value : float
        Where the limit should lie within the group.
    typical : float or None
        The group's typical value; above 0 where it is known.

    Returns
    -------
    Limits
        The new limits. Eccentricity, and what has no typical value, gets the
        value for all groups alike. Otherwise every group's limit comes to lie
        as many times its own typical value away as the moved one.

    Raises
    ------
    ValueError
        If the measure has no limit that can be moved.
    """
    if measure == "eccentricity":
        return replace(
            limits, eccentricity_factor=None, eccentricity_max=min(max(value, 0.05), 0.99)
        )
    if measure not in _RELATIVE:
        raise ValueError(f"{measure} has no limit that can be moved")
    relative, bad, absolute = _RELATIVE[measure]
    changes: dict[str, Any]
    if typical is None or typical <= 0:
        changes = {absolute: round(value) if measure == "stars" else value}
        return replace(limits, **changes)
    if bad is BadSide.ABOVE:
        ratio = max(value / typical, 1 + _CLOSEST)
    else:
        ratio = min(max(value / typical, 0.0), 1 - _CLOSEST)
    fixed = RelativeLimit(factor=_FACTOR, tightest=ratio, loosest=ratio)
    # an absolute limit that was tighter would hold the moved one back; a sub
    # with too few stars to be registered is bad in any case
    changes = {relative: fixed, absolute: limits.stars_min if measure == "stars" else None}
    return replace(limits, **changes)
