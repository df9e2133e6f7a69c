"""Why something that was done beside the event loop failed, in words."""

from stackbench.export.blocks import ProductError
from stackbench.export.files import WriteError
from stackbench.frames.errors import FrameError
from stackbench.job.bench import WrongUseError
from stackbench.job.library import LibraryError
from stackbench.job.settings import SettingsError
from stackbench.job.store import StoreError

# These say themselves what is wrong; anything else should not happen.
FORESEEN = (
    FrameError,
    LibraryError,
    OSError,
    ProductError,
    SettingsError,
    StoreError,
    WriteError,
    WrongUseError,
)


def failure_words(error: Exception) -> str:
    """Say why something failed.

    Parameters
    ----------
    error : Exception
        What ended it.

    Returns
    -------
    str
        For the person to read.
    """
    if isinstance(error, FrameError):
        return f"{error.problem.what}: {error.problem.why}"
    if isinstance(error, FORESEEN):
        return str(error)
    return f"Something went wrong that should not: {type(error).__name__}: {error}."
