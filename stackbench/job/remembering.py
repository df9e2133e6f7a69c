"""Output folders: where they lie, and what they remember of the work done in them."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pydantic import ValidationError

from stackbench.frames.scan import SESSION_STORE_NAME
from stackbench.job.bench import Bench
from stackbench.job.settings import Settings, changed_parts
from stackbench.job.store import Store

_STAGE = "session"


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
    store.settle()


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


def remember_masters(store: Store, keys: Sequence[str]) -> None:
    """Remember which masters the last job worked with.

    Parameters
    ----------
    store : Store
        The output folder's store.
    keys : sequence of str
        Their keys.
    """
    store.keep(_STAGE, "masters", {"keys": list(keys)})


def remembered_masters(store: Store) -> frozenset[str] | None:
    """Recall which masters the last job worked with.

    Parameters
    ----------
    store : Store
        The output folder's store.

    Returns
    -------
    frozenset of str, or None
        Their keys; None when a version worked there that did not say.
    """
    known = store.recall(_STAGE, "masters")
    return None if known is None else frozenset(known[0]["keys"])


def remember_settings(store: Store, settings: Settings) -> None:
    """Remember the settings that were made in the window.

    Parameters
    ----------
    store : Store
        The output folder's store.
    settings : Settings
        The settings; parts that are as the program comes with them are not
        remembered.
    """
    parts = set(changed_parts(Settings(), settings))
    store.keep(_STAGE, "settings", settings.model_dump(mode="json", include=parts))
    store.settle()


def forget_settings(store: Store) -> None:
    """Forget the settings that were made in the window.

    Parameters
    ----------
    store : Store
        The output folder's store.
    """
    store.drop(_STAGE, "settings")


def with_made_settings(bench: Bench) -> Bench:
    """Work by the settings that were made in the window, and say so.

    Parameters
    ----------
    bench : Bench
        The job's bench.

    Returns
    -------
    Bench
        With what was made in the window for this output folder, in those
        parts of the settings of which the bench's settings say nothing.
    """
    settings, parts = laid_over_made(bench.store, bench.settings)
    if not parts:
        return bench
    bench.progress.say(made_words(parts))
    return replace(bench, settings=settings)


def made_words(parts: Sequence[str]) -> str:
    """Say that settings made in the window hold.

    Parameters
    ----------
    parts : sequence of str
        Which parts.

    Returns
    -------
    str
        One line.
    """
    return (
        f"Settings that were made in the window hold ({', '.join(parts)}); "
        "--forget-settings of 'run' goes back to those of the program."
    )


def laid_over_made(store: Store, given: Settings) -> tuple[Settings, tuple[str, ...]]:
    """Lay the settings that were given over those that were made in the window.

    Parameters
    ----------
    store : Store
        The output folder's store.
    given : Settings
        Parts of which it says nothing, not even the default, are left to the window.

    Returns
    -------
    Settings
        The settings to work by.
    tuple of str
        The parts that the window has a say in.
    """
    known = store.recall(_STAGE, "settings")
    if known is None:
        return given, ()
    try:
        made = Settings.model_validate(known[0])
    except ValidationError:  # of a version whose settings were others
        return given, ()
    parts = {name: getattr(made, name) for name in known[0] if name not in given.model_fields_set}
    return given.model_copy(update=parts), tuple(parts)


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
