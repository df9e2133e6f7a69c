"""`stackbench run`: the whole job, watched and stopped from a terminal."""

import os
import signal
import threading
from dataclasses import replace
from types import FrameType

import typer

from stackbench.cli.options import (
    CANCELLED,
    DONE,
    NOTHING_DONE,
    ForgetSettings,
    HistoryFile,
    Jobs,
    Keep,
    LibraryFolder,
    Nights,
    Out,
    Reject,
    Release,
    SetFilter,
    SetKind,
    SettingsFile,
    Stretch,
    Tiff,
    Unset,
    WithoutHistory,
    WithoutLibrary,
    chosen_history,
    chosen_library,
    wrong_use,
)


def run(
    nights: Nights,
    *,
    out: Out = None,
    settings: SettingsFile = None,
    jobs: Jobs = None,
    keep: Keep = None,
    reject: Reject = None,
    release: Release = None,
    set_kind: SetKind = None,
    set_filter: SetFilter = None,
    unset: Unset = None,
    forget_settings: ForgetSettings = False,
    tiff: Tiff = None,
    stretch: Stretch = None,
    library: LibraryFolder = None,
    without_library: WithoutLibrary = False,
    history: HistoryFile = None,
    without_history: WithoutHistory = False,
) -> None:
    """Turn nights into masters, verdicts and one aligned channel per filter.

    What an earlier run into the same output folder did is used again. Exit code 0 when
    something was stacked, 1 when nothing could be, 2 for wrong use, 130 when interrupted.
    """
    from stackbench.export.files import WriteError
    from stackbench.frames.errors import FrameError
    from stackbench.frames.work import Cancelled
    from stackbench.job import remembering
    from stackbench.job.bench import WrongUseError, check_folders, open_bench
    from stackbench.job.console import ConsoleProgress
    from stackbench.job.looking import look_through
    from stackbench.job.settings import Settings, SettingsError, load_settings
    from stackbench.job.store import StoreError

    asked = _StopButton()
    try:
        out = out or remembering.propose_output(nights)
        check_folders(nights, out)
        chosen = load_settings(settings) if settings is not None else Settings()
        chosen.with_export(tiff=tiff, stretch=stretch)  # a wrong one is told before work begins
        with (
            ConsoleProgress() as progress,
            open_bench(
                out,
                settings=chosen,
                progress=progress,
                stop=asked.pressed,
                threads=jobs,
                library=chosen_library(library, without=without_library),
                history=None if without_history else chosen_history(history),
            ) as bench,
        ):
            if forget_settings:
                remembering.forget_settings(bench.store)
            bench = remembering.with_made_settings(bench)
            # over what was made in the window, one by one
            chosen = bench.settings.with_export(tiff=tiff, stretch=stretch)
            bench = replace(bench, settings=chosen)
            looked = look_through(bench, nights)
            # loaded while the files were read to their end
            from stackbench.job.run import run_job
            from stackbench.job.words import outcome_lines

            night = run_job(
                bench,
                looked,
                keep=keep or (),
                reject=reject or (),
                release=release or (),
                kinds=set_kind or (),
                filters=set_filter or (),
                unset=unset or (),
            )
    except (WrongUseError, SettingsError, StoreError, WriteError, FrameError) as error:
        wrong_use(error)
    except Cancelled:
        typer.echo("Stopped. What is finished stays; the next run goes on from there.", err=True)
        raise typer.Exit(CANCELLED) from None
    typer.echo("\n".join(outcome_lines(night)))
    raise typer.Exit(DONE if night.stacks else NOTHING_DONE)


class _StopButton:
    """Ctrl-C ends the job after the piece it is at; a second one ends it at once."""

    def __init__(self) -> None:
        self._event = threading.Event()
        signal.signal(signal.SIGINT, self._press)

    def pressed(self) -> bool:
        return self._event.is_set()

    def _press(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        if self._event.is_set():
            os._exit(CANCELLED)
        self._event.set()
