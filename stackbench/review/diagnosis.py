"""What happened in a night: all findings of one target's subs."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from stackbench.review.alignment import alignment_findings
from stackbench.review.camera import cooler_findings
from stackbench.review.findings import Finding
from stackbench.review.focus import focus_findings
from stackbench.review.observations import Observation
from stackbench.review.optics import optics_findings
from stackbench.review.seeing import seeing_findings
from stackbench.review.series import nights_of
from stackbench.review.tracking import tracking_findings
from stackbench.review.weather import weather_findings

_Looks = tuple[Callable[[Sequence[Observation]], list[Finding]], ...]
# Between two nights the sky changes, the focus is set and the mount set up anew.
_AT_A_NIGHT: _Looks = (
    weather_findings,
    focus_findings,
    tracking_findings,
    alignment_findings,
    cooler_findings,
)
_AT_ALL: _Looks = (optics_findings, seeing_findings)
_LATEST = datetime.max.replace(tzinfo=UTC)


def diagnose(subs: Sequence[Observation]) -> tuple[Finding, ...]:
    """Find out what happened while a target was taken.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup, kept and rejected, of all filters.

    Returns
    -------
    tuple of Finding
        Those that are tied to a time first, in order, then the others. Empty
        when nothing stands out.
    """
    nights = nights_of(subs)
    found = [one for night in nights for look in _AT_A_NIGHT for one in look(night)]
    found += [one for look in _AT_ALL for one in look(subs)]
    wholes = [{one.path for one in group} for group in (subs, *nights)]
    return tuple(sorted(found, key=lambda one: (set(one.subs) in wholes, one.start or _LATEST)))
