"""How far a job has come, step by step and as a whole, and how long it may still take."""

from dataclasses import dataclass, replace

from stackbench.job.progress import Step

# The share of a first run's time that each step takes, measured on nights of
# a hundred subs; it only shapes the whole bar, so a rough value will do.
_SHARES = {
    Step.FIND: 0.02,
    Step.CHECK: 0.08,
    Step.MASTERS: 0.15,
    Step.MEASURE: 0.38,
    Step.REGISTER: 0.04,
    Step.STACK: 0.28,
    Step.EXPORT: 0.05,
}
_SURE_AFTER_S = 2.0
_SURE_AFTER_PART = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One reading of the meter.

    `done` of `total` pieces of the step are done; `whole` runs from 0 to 1;
    `left_s` is None while it cannot be told.
    """

    step: Step | None = None
    done: int = 0
    total: int = 0
    whole: float = 0.0
    left_s: float | None = None


class Meter:
    """Counts what a job reports.

    Parameters
    ----------
    started : float
        The time at the start, s, of a clock that only goes forward.
    first : Step
        The step that the work begins with; those before it are not part of it.
    """

    def __init__(self, *, started: float, first: Step = Step.FIND) -> None:
        self._started = started
        steps = list(Step)
        part = steps[steps.index(first) :]
        total = sum(_SHARES[step] for step in part)
        self._shares = {step: _SHARES[step] / total for step in part}
        self._reading = Reading()
        self._passed = 0.0

    def begin(self, step: Step, total: int) -> None:
        """Count from now on the pieces of a step.

        Parameters
        ----------
        step : Step
            The step.
        total : int
            How many pieces it has.
        """
        order = list(Step)
        self._passed = sum(
            share for one, share in self._shares.items() if order.index(one) < order.index(step)
        )
        self._reading = Reading(step=step, total=total, whole=self._passed)

    def advance(self, pieces: int) -> None:
        """Count pieces that are done.

        Parameters
        ----------
        pieces : int
            How many more.
        """
        self._reading = replace(self._reading, done=self._reading.done + pieces)

    def read(self, now: float) -> Reading:
        """Read the meter.

        Parameters
        ----------
        now : float
            The time, s, of the same clock as at the start.

        Returns
        -------
        Reading
            Where the job stands.
        """
        one = self._reading
        if one.step is None:
            return one
        share = self._shares.get(one.step, 0.0)
        part = min(one.done / one.total, 1.0) if one.total else 0.0
        whole = min(self._passed + share * part, 1.0)
        elapsed = now - self._started
        left = None
        if elapsed > _SURE_AFTER_S and whole > _SURE_AFTER_PART:
            left = elapsed * (1 - whole) / whole
        return replace(one, whole=whole, left_s=left)
