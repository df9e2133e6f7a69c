"""The command line: `stackbench run`, `inspect`, `report` …; without a command, the window.

Imports of the job's steps and of Qt stand inside the commands, so that
`--help` and a mistyped option answer at once.
"""

import os
import signal
import threading
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from stackbench import __version__, cli_camera, cli_library

if TYPE_CHECKING:
    from stackbench.job.history import History
    from stackbench.job.library import Library

DONE, NOTHING_STACKED, WRONG_USE, CANCELLED = 0, 1, 2, 130

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a night's folder of FITS frames to aligned, stacked mono channels. "
    "Raw frames are only ever read. Without a command, the window opens.",
)

LibraryFolder = Annotated[
    Path | None,
    typer.Option(
        metavar="FOLDER", help="Master library. Default: among your own application data."
    ),
]
WithoutLibrary = Annotated[
    bool, typer.Option("--without-library", help="Use the nights' own frames only.")
]
Nights = Annotated[
    list[Path],
    typer.Argument(metavar="NIGHT", help="One or more folders with a night's frames."),
]
Out = Annotated[
    Path | None,
    typer.Option(help="Output folder. Default: beside the first night, '-stacked' added."),
]
SettingsFile = Annotated[
    Path | None, typer.Option(help="Settings, a TOML file; see resources/settings.toml.")
]
Jobs = Annotated[int | None, typer.Option(min=1, help="Threads. Default: one per processor.")]
Keep = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME", help="Keep this sub whatever the rules say. Repeatable."),
]
Reject = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME", help="Reject this sub whatever the rules say. Repeatable."),
]
Release = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME", help="Hand this sub back to the rules. Repeatable."),
]
SetKind = Annotated[
    list[str] | None,
    typer.Option(
        metavar="NAME=KIND",
        help="Take frames for bias, dark, flat, dark-flat or light, whatever their headers "
        "say; * in NAME stands for any text. Repeatable.",
    ),
]
SetFilter = Annotated[
    list[str] | None,
    typer.Option(
        metavar="NAME=FILTER",
        help="Give frames another filter than their headers do. Repeatable.",
    ),
]
Unset = Annotated[
    list[str] | None,
    typer.Option(metavar="NAME", help="Leave frames to their headers again. Repeatable."),
]
ForgetSettings = Annotated[
    bool,
    typer.Option("--forget-settings", help="Forget settings and limits made in the window."),
]
Tiff = Annotated[
    str | None, typer.Option(metavar="uint16|float32", help="Depth of the TIFF files.")
]
Stretch = Annotated[
    bool | None,
    typer.Option("--stretch/--linear", help="Stretch the TIFF files to look at. Default: linear."),
]
HistoryFile = Annotated[
    Path | None,
    typer.Option(
        "--history",
        metavar="FILE",
        dir_okay=False,
        help="History of nights. Default: among your own application data.",
    ),
]
WithoutHistory = Annotated[
    bool,
    typer.Option(
        "--without-history", help="Neither compare with earlier nights nor keep this one."
    ),
]
app.add_typer(cli_library.app, name="library")
app.command()(cli_camera.camera)


def _show_version(wanted: bool) -> None:  # noqa: FBT001 - typer calls it with the flag
    if wanted:
        typer.echo(f"stackbench {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def common(
    context: typer.Context,
    *,
    version: Annotated[  # noqa: ARG001 - its callback answers it
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Open the window when no command is given."""
    if context.invoked_subcommand is None:
        from stackbench.window.app import run_window

        raise typer.Exit(run_window())


@app.command()
def inspect(
    nights: Nights,
    *,
    out: Annotated[
        Path | None,
        typer.Option(help="Output folder of an earlier run. Default: as for run."),
    ] = None,
    library: LibraryFolder = None,
    without_library: WithoutLibrary = False,
) -> None:
    """Show the groups of lights, what will calibrate each, and what is missing.

    Kinds and filters that were set by hand in an earlier run hold. Exit code 0 when there
    are lights, 1 when there are none, 2 for wrong use.
    """
    from contextlib import nullcontext

    from stackbench.frames.scan import SESSION_STORE_NAME
    from stackbench.job.bench import WrongUseError, check_folders
    from stackbench.job.overview import overlook
    from stackbench.job.remembering import is_output, propose_output
    from stackbench.job.store import Store, StoreError
    from stackbench.job.words import overview_lines

    try:
        check_folders(nights)
        out = out or propose_output(nights)
        with Store(out / SESSION_STORE_NAME) if is_output(out) else nullcontext() as store:
            kept = _library(library, without=without_library)
            overview = overlook(nights, library=kept, store=store)
    except (WrongUseError, StoreError) as error:
        _wrong_use(error)
    typer.echo("\n".join(overview_lines(overview)))
    raise typer.Exit(DONE if overview.groups else NOTHING_STACKED)


@app.command()
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
    from stackbench.job.run import run_job
    from stackbench.job.settings import Settings, SettingsError, load_settings
    from stackbench.job.store import StoreError
    from stackbench.job.words import outcome_lines

    asked = _StopButton()
    try:
        out = out or remembering.propose_output(nights)
        check_folders(nights, out)
        chosen = load_settings(settings) if settings is not None else Settings()
        chosen = chosen.with_export(tiff=tiff, stretch=stretch)
        with (
            ConsoleProgress() as progress,
            open_bench(
                out,
                settings=chosen,
                progress=progress,
                stop=asked.pressed,
                threads=jobs,
                library=_library(library, without=without_library),
                history=None if without_history else _history(history),
            ) as bench,
        ):
            if forget_settings:
                remembering.forget_settings(bench.store)
            night = run_job(
                bench,
                nights,
                keep=keep or (),
                reject=reject or (),
                release=release or (),
                kinds=set_kind or (),
                filters=set_filter or (),
                unset=unset or (),
            )
    except (WrongUseError, SettingsError, StoreError, WriteError, FrameError) as error:
        _wrong_use(error)
    except Cancelled:
        typer.echo("Stopped. What is finished stays; the next run goes on from there.", err=True)
        raise typer.Exit(CANCELLED) from None
    typer.echo("\n".join(outcome_lines(night)))
    raise typer.Exit(DONE if night.stacks else NOTHING_STACKED)


@app.command()
def report(
    outs: Annotated[
        list[Path], typer.Argument(metavar="OUT", help="Output folders of finished jobs.")
    ],
) -> None:
    """Make report.html and frames.csv again from the record of a finished job.

    Exit code 0 when they are made, 2 when a folder holds no record or cannot be written.
    """
    from stackbench.export.files import WriteError
    from stackbench.job.bench import WrongUseError
    from stackbench.job.rereading import PAGE_NAME, report_again

    for out in outs:
        try:
            report_again(out)
        except (WrongUseError, WriteError) as error:
            _wrong_use(error)
        typer.echo(f"Report: {out / PAGE_NAME}")


@app.command("history")
def list_history(
    *,
    history: HistoryFile = None,
    last: Annotated[
        int, typer.Option(min=1, help="How many nights of each setup and filter to show.")
    ] = 30,
) -> None:
    """List the nights kept for comparison, by setup and filter.

    They lie among your own application data, or where --history or the variable
    STACKBENCH_HISTORY says.
    """
    from stackbench.job.history import HistoryError
    from stackbench.job.words import history_lines

    opened = _history(history)
    try:
        nights = opened.nights()
    except HistoryError as error:
        _wrong_use(error)
    typer.echo(str(opened.path))
    typer.echo("\n".join(history_lines(nights, last=last)))


def main() -> None:
    """Run the command line and leave with its exit code."""
    app(prog_name="stackbench")


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


def _library(folder: Path | None, *, without: bool) -> "Library | None":
    from stackbench.job.library import Library, default_library

    return None if without else Library(folder or default_library())


def _history(file: Path | None) -> "History":
    from stackbench.job.history import History, default_history

    return History(file or default_history())


def _wrong_use(error: Exception) -> NoReturn:
    typer.echo(f"stackbench: {error}", err=True)
    raise typer.Exit(WRONG_USE)
