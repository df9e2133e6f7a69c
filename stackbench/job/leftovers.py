"""Products of earlier jobs that lie in the output folder without being this job's."""

from collections.abc import Sequence
from pathlib import Path

from stackbench.frames.records import Problem
from stackbench.job.exporting import FinishedChannel
from stackbench.job.stacking import FinishedStack

_NAMED = 6


def older_products(
    out: Path, stacks: Sequence[FinishedStack], channels: Sequence[FinishedChannel]
) -> tuple[Problem, ...]:
    """Tell of stacks and channels that an earlier job left, lest they be taken for new.

    Parameters
    ----------
    out : Path
        The output folder.
    stacks : sequence of FinishedStack
        This job's stacks.
    channels : sequence of FinishedChannel
        This job's channels.

    Returns
    -------
    tuple of Problem
        One, or none. Nothing is removed: only a person can tell what is not needed.
    """
    current = {stack.path for stack in stacks}
    current.update(path for channel in channels for path in channel.paths.all())
    old = [
        path
        for folder in (out / "stacks", out / "channels")
        if folder.is_dir()
        for path in sorted(folder.iterdir())
        if path.is_file() and not path.name.startswith(".") and path not in current
    ]
    if not old:
        return ()
    names = ", ".join(f"{path.parent.name}/{path.name}" for path in old[:_NAMED])
    more = f" and {len(old) - _NAMED} more" if len(old) > _NAMED else ""
    problem = Problem(
        path=out,
        what="Stacks or channels of an earlier job lie among those of this one",
        why=f"This job made none of {names}{more}: their subs were rejected since, or other"
        " frames were given.",
        remedy="Delete or move them if they are not needed any more.",
    )
    return (problem,)
