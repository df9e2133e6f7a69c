"""How a job tells what it is doing, and how it is told to stop."""

from enum import StrEnum


class Step(StrEnum):
    """The steps of a job, in order; the value is what a person reads."""

    FIND = "finding frames"
    CHECK = "taking checksums"
    MASTERS = "making masters"
    MEASURE = "measuring subs"
    REGISTER = "registering"
    STACK = "stacking"
    EXPORT = "exporting channels"


class Progress:
    """Hears what the job does, and ignores it: a view overrides what it shows."""

    def begin(self, step: Step, total: int) -> None:
        """Hear that a step begins.

        Parameters
        ----------
        step : Step
            The step.
        total : int
            How many pieces of about equal work it has.
        """

    def advance(self, step: Step, pieces: int = 1) -> None:
        """Hear that pieces of a step are done.

        Parameters
        ----------
        step : Step
            The step.
        pieces : int
            How many more are done.
        """

    def end(self, step: Step) -> None:
        """Hear that a step is done.

        Parameters
        ----------
        step : Step
            The step.
        """

    def say(self, text: str) -> None:
        """Hear something worth a line.

        Parameters
        ----------
        text : str
            One line for the person.
        """
