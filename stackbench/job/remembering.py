"""Output folders: where they lie, and what they remember of the work done in them."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from stackbench.frames.scan import SESSION_STORE_NAME
from stackbench.job.bench import Bench
from stackbench.job.store import Store
from stackbench.review.limits import Limits

_STAGE = "session"
_LIMITS: TypeAdapter[Limits] = TypeAdapter(Limits)


def remember_nights(store: Store, folders: Sequence[Path]) -> None:
    """Remember which nights' folders a job was for.

    Parameters
    ----------
    store : Store
        The output folder's store.
    folders : sequence of Path
        The nights' folders.
    """
    store.keep(_STAGE, "nights", {"folders": [str(folder) for folder in folders]})


def remembered_nights(store: Store) -> tuple[Path, ...]:
    """Recall which nights' folders the last job was for.

    Parameters
    ----------
    store : Store
        The output folder's store.

    Returns
    -------
    tuple of Path
        Empty when there was none.
    """
    known = store.recall(_STAGE, "nights")
    return () if known is None else tuple(Path(folder) for folder in known[0]["folders"])


def remember_limits(store: Store, limits: Limits) -> None:
    """Remember the limits that were set in the window.

    Parameters
    ----------
    store : Store
        The output folder's store.
    limits : Limits
        The limits.
    """
    store.keep(_STAGE, "limits", _LIMITS.dump_python(limits, mode="json"))


def remembered_limits(store: Store) -> Limits | None:
    """Recall the limits that were set in the window.

    Parameters
    ----------
    store : Store
        The output folder's store.

    Returns
    -------
    Limits or None
        None when none were set, or by a version whose limits were others.
    """
    known = store.recall(_STAGE, "limits")
    if known is None:
        return None
    try:
        return _LIMITS.validate_python(known[0])
    except ValidationError:
        return None


def forget_limits(store: Store) -> None:
    """Forget the limits that were set in the window.

    Parameters
    ----------
    store : Store
        The output folder's store.
    """
    store.drop(_STAGE, "limits")


def with_moved_limits(bench: Bench) -> Bench:
    """Judge by the limits that were set in the window, and say so.

    Parameters
    ----------
    bench : Bench
        The job's bench.

    Returns
    -------
    Bench
        The same bench where no limits were set, or just those of its settings.
    """
    limits = remembered_limits(bench.store)
    if limits is None or limits == bench.settings.review:
        return bench
    bench.progress.say(
        "Subs are judged by limits that were moved in the window; "
        "--forget-limits goes back to those of the settings."
    )
    return replace(bench, settings=bench.settings.model_copy(update={"review": limits}))


def is_output(folder: Path) -> bool:
    """Tell whether a folder is the output of an earlier job.

    Parameters
    ----------
    folder : Path
        Any folder.

    Returns
    -------
    bool
        Whether it holds a session store.
    """
    return (folder / SESSION_STORE_NAME).is_file()


def propose_output(folders: Sequence[Path]) -> Path:
    """Propose an output folder beside the first night.

    Parameters
    ----------
    folders : sequence of Path
        The nights' folders, at least one.

    Returns
    -------
    Path
        The night's folder's name with "-stacked" added; a folder "stacked"
        inside where the night is a whole disk.
    """
    first = folders[0].resolve()
    if not first.name:
        return first / "stacked"
    return first.with_name(f"{first.name}-stacked")
