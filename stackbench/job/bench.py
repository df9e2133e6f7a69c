"""What every step of a job works with: the output folder, store and settings."""

import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from stackbench.export.files import remove_leftovers
from stackbench.frames.scan import SESSION_STORE_NAME
from stackbench.frames.work import Stop, never
from stackbench.job.compiling import Compiling
from stackbench.job.history import History
from stackbench.job.library import Library
from stackbench.job.progress import Progress
from stackbench.job.settings import Settings
from stackbench.job.store import Store

PRODUCT_FOLDERS = ("masters", "stacks", "channels")
_LOCK_NAME = ".stackbench.lock"
_SCRATCH_NAME = ".scratch"


class WrongUseError(Exception):
    """The job was asked for something that cannot be; says what to do instead."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What every step of a job works with.

    `scratch` is for frames that must be decoded before they can be read by
    rows; it is emptied when the job ends, or by the next job after a crash.
    """

    out: Path
    scratch: Path
    settings: Settings
    store: Store
    progress: Progress
    stop: Stop
    threads: int
    compiling: Compiling
    library: Library | None = None
    history: History | None = None


@contextmanager
def open_bench(
    out: Path,
    *,
    settings: Settings,
    progress: Progress | None = None,
    stop: Stop = never,
    threads: int | None = None,
    library: Library | None = None,
    history: History | None = None,
) -> Iterator[Bench]:
    """Make the output folder ready, and leave it tidy afterwards.

    Parameters
    ----------
    out : Path
        The output folder; made when it is not there.
    settings : Settings
        The settings of the job.
    progress : Progress, optional
        Who hears what the job does.
    stop : callable
        Asked between pieces of work; True ends the job with Cancelled.
    threads : int, optional
        How many threads work; as many as the machine has processors if None.
    library : Library, optional
        Masters kept from earlier nights; none are used if left out.
    history : History, optional
        Where the night is kept for comparison; nowhere if left out.

    Yields
    ------
    Bench
        Ready for the steps of the job.

    Raises
    ------
    WrongUseError
        If the folder cannot be written, or another job works in it.
    """
    out = out.absolute()
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out):
            pass
    except OSError as error:
        raise WrongUseError(
            f"{out}: the output folder cannot be written ({error.strerror}); "
            "choose another one (--out), or free it"
        ) from error
    # a window opens the folder in one thread and may leave it in another
    lock = FileLock(out / _LOCK_NAME, thread_local=False)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise WrongUseError(
            f"{out}: another job is working in this output folder; wait for it, "
            "or choose another folder (--out)"
        ) from error
    scratch = out / _SCRATCH_NAME
    compiling = Compiling()
    try:
        _remove(scratch)
        for folder in (out, *(out / name for name in PRODUCT_FOLDERS)):
            if folder.is_dir():
                remove_leftovers(folder)
        with Store(out / SESSION_STORE_NAME) as store:
            yield Bench(
                out=out,
                scratch=scratch,
                settings=settings,
                store=store,
                progress=progress or Progress(),
                stop=stop,
                threads=threads or os.cpu_count() or 1,
                compiling=compiling,
                library=library,
                history=history,
            )
    finally:
        compiling.close()
        _remove(scratch)
        _let_go(lock)


def check_folders(folders: Sequence[Path], out: Path | None = None) -> None:
    """Check that the folders of a job can be worked on.

    Parameters
    ----------
    folders : sequence of Path
        The nights' folders.
    out : Path, optional
        The output folder; may lie inside a night's folder, but may not be one.

    Raises
    ------
    WrongUseError
        If a folder is not there, or is also the output folder.
    """
    for folder in folders:
        if not folder.is_dir():
            what = "is a file" if folder.exists() else "does not exist"
            raise WrongUseError(f"{folder}: {what}; name the folder that holds the night's frames")
        if out is not None and out.exists() and out.samefile(folder):
            raise WrongUseError(
                f"{out}: the output folder is also the night's folder; choose another one (--out)"
            )


def _let_go(lock: FileLock) -> None:
    """Release a lock and remove its file, so that no two others can hold it after."""
    path = Path(lock.lock_file)
    if os.name == "posix":
        # who opened the file before this finds that what it locks is gone, and tries again
        path.unlink(missing_ok=True)
        lock.release()
        return
    lock.release()
    with suppress(PermissionError):  # Windows does not remove what another job has open
        path.unlink(missing_ok=True)


def _remove(folder: Path) -> None:
    if folder.exists():
        shutil.rmtree(folder)
