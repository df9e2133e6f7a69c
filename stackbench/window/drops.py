"""What was dropped on the window: nights, outputs of earlier jobs, or something else."""

from collections.abc import Sequence
from pathlib import Path

from stackbench.job.remembering import is_output


def sort_drop(paths: Sequence[Path]) -> tuple[list[Path], list[Path], str]:
    """Tell what was dropped: nights, or the output of an earlier job.

    Parameters
    ----------
    paths : sequence of Path
        Dropped files and folders.

    Returns
    -------
    tuple of list, list and str
        Nights' folders, output folders, and why the rest is refused, in
        words; empty when nothing is.
    """
    nights = [path for path in paths if path.is_dir() and not is_output(path)]
    outputs = [path for path in paths if path.is_dir() and is_output(path)]
    files = [path for path in paths if not path.is_dir()]
    if not files:
        return nights, outputs, ""
    names = ", ".join(path.name or str(path) for path in files[:3])
    more = f" and {len(files) - 3} more" if len(files) > 3 else ""
    verb = "is no folder" if len(files) == 1 else "are no folders"
    return nights, outputs, f"{names}{more} {verb}. Drop the folder that holds the night's frames."
