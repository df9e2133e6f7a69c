"""What of the work on a night does no longer follow the settings and verdicts."""

from dataclasses import dataclass, replace

from stackbench.job.bench import Bench
from stackbench.job.run import MeasuredNight
from stackbench.job.sessionstate import SessionState
from stackbench.job.settings import BEFORE_JUDGING, Settings, changed_parts
from stackbench.job.stacking import outdated


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What was measured last, and the settings by which it was, and was exported.

    `measured` is None before the first time, and once kinds or filters were
    set by hand.
    """

    measured: MeasuredNight | None = None
    measured_with: Settings
    exported_with: Settings


def with_staleness(state: SessionState, *, bench: Bench, made: Made) -> SessionState:
    """Say in a state what is out of date in it.

    Parameters
    ----------
    state : SessionState
        What is known.
    bench : Bench
        The job's bench, with the settings as they are by now.
    made : Made
        What was made, and by which settings.

    Returns
    -------
    SessionState
        With `outdated` and `stale` as they follow from the rest.
    """
    parts = _outdated_parts(state, bench.settings, made)
    stale: tuple[int, ...] = ()
    if set(parts) & set(BEFORE_JUDGING):
        stale = tuple(range(len(state.groups)))
    elif made.measured is not None and state.overview is not None:
        plan, shelf = state.overview.plan, made.measured.shelf
        stale = outdated(bench, plan, shelf, state.groups, state.stacks)
    return replace(state, stale=stale, outdated=parts)


def _outdated_parts(state: SessionState, settings: Settings, made: Made) -> tuple[str, ...]:
    """Name the parts of the settings that what was made does not follow."""
    since_measured = changed_parts(made.measured_with, settings)
    since_exported = changed_parts(made.exported_with, settings)
    return tuple(
        name
        for name in Settings.model_fields
        if (name in BEFORE_JUDGING and name in since_measured and made.measured is not None)
        or (name == "export" and name in since_exported and bool(state.channels))
    )
