"""Run the `stackbench` command as it is, and take down when its steps begin and end.

`python -m tests.bench.project TIMES_FILE run NIGHT --out OUT …`
"""

import sys
from pathlib import Path

from stackbench.cli import commands
from stackbench.job import console
from stackbench.job.progress import Step
from tests.bench.stages import StageClock

CLOCK = StageClock()


class TimedProgress(console.ConsoleProgress):
    """What the command shows anyway, with the times taken down."""

    def begin(self, step: Step, total: int) -> None:
        """Take down the beginning; see Progress."""
        CLOCK.begin(step.value)
        super().begin(step, total)

    def end(self, step: Step) -> None:
        """Take down the end; see Progress."""
        super().end(step)
        CLOCK.end(step.value)


def main() -> None:
    """Run the command with the arguments that follow the times' file."""
    times = Path(sys.argv.pop(1))
    console.ConsoleProgress = TimedProgress
    try:
        commands.main()
    finally:
        CLOCK.write(times)


if __name__ == "__main__":
    main()
