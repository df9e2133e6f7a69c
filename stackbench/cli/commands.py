"""The command line: `stackbench run`, `inspect`, `report` …; without a command, the window.

Imports of the job's steps and of Qt stand inside the commands, so that
`--help` and a mistyped option answer at once.
"""

import gc
from pathlib import Path
from typing import Annotated

import typer

from stackbench import __version__
from stackbench.cli import library as masters
from stackbench.cli.camera import camera
from stackbench.cli.options import (
    DONE,
    NOTHING_DONE,
    HistoryFile,
    LibraryFolder,
    Nights,
    SettingsFile,
    WithoutLibrary,
    chosen_history,
    chosen_library,
    wrong_use,
)
from stackbench.cli.running import run

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a night's folder of FITS frames to aligned, stacked mono channels. "
    "Raw frames are only ever read. Without a command, the window opens.",
)


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
    settings: SettingsFile = None,
    library: LibraryFolder = None,
    without_library: WithoutLibrary = False,
) -> None:
    """Show the groups of lights, what will calibrate each, and what is missing.

    Kinds and filters that were set by hand in an earlier run hold, and settings made in the
    window where --settings says nothing else. Exit code 0 when there
    are lights, 1 when there are none, 2 for wrong use.
    """
    from contextlib import nullcontext

    from stackbench.frames.scan import SESSION_STORE_NAME
    from stackbench.job.bench import WrongUseError, check_folders
    from stackbench.job.overview import overlook
    from stackbench.job.remembering import is_output, laid_over_made, made_words, propose_output
    from stackbench.job.settings import Settings, SettingsError, load_settings
    from stackbench.job.store import Store, StoreError
    from stackbench.job.words import overview_lines

    try:
        check_folders(nights)
        out = out or propose_output(nights)
        chosen = load_settings(settings) if settings is not None else Settings()
        with Store(out / SESSION_STORE_NAME) if is_output(out) else nullcontext() as store:
            kept = chosen_library(library, without=without_library)
            if store is not None:
                chosen, parts = laid_over_made(store, chosen)
                if parts:
                    typer.echo(made_words(parts))
            overview = overlook(nights, library=kept, store=store, options=chosen.calibration)
    except (WrongUseError, SettingsError, StoreError) as error:
        wrong_use(error)
    typer.echo("\n".join(overview_lines(overview)))
    raise typer.Exit(DONE if overview.groups else NOTHING_DONE)


app.command()(run)


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
            changed = report_again(out)
        except (WrongUseError, WriteError) as error:
            wrong_use(error)
        said = f"changed: {', '.join(changed)}" if changed else "the same as before"
        typer.echo(f"Report: {out / PAGE_NAME} ({said})")


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

    opened = chosen_history(history)
    try:
        nights = opened.nights()
    except HistoryError as error:
        wrong_use(error)
    typer.echo(str(opened.path))
    typer.echo("\n".join(history_lines(nights, last=last)))


app.command()(camera)
app.add_typer(masters.app, name="library")


def main() -> None:
    """Run the command line and leave with its exit code."""
    # Libraries bring some 300,000 objects that stay; looking through them for
    # cycles every 700 new ones, and again at the end, took 0.7 s of a night.
    gc.set_threshold(50_000)
    try:
        app(prog_name="stackbench")
    finally:
        gc.freeze()
