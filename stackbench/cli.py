"""The command line: `stackbench run`, `stackbench inspect`.

Imports of the job's steps stand inside the commands, so that `--help` and a
mistyped option answer at once.
"""

from pathlib import Path
from typing import Annotated

import typer

from stackbench import __version__

DONE, NOTHING_STACKED, WRONG_USE, CANCELLED = 0, 1, 2, 130

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From a night's folder of FITS frames to aligned, stacked mono channels. "
    "Raw frames are only ever read.",
)

Nights = Annotated[
    list[Path],
    typer.Argument(metavar="NIGHT...", help="One or more folders with a night's frames."),
]


def _show_version(wanted: bool) -> None:  # noqa: FBT001 - typer calls it with the flag
    if wanted:
        typer.echo(f"stackbench {__version__}")
        raise typer.Exit


@app.callback()
def common(
    *,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Hold the options that come before a command."""


@app.command()
def inspect(nights: Nights) -> None:
    """Show the groups of lights, what will calibrate each, and what is missing."""
    from stackbench.job.bench import WrongUseError, check_folders
    from stackbench.job.overview import overlook
    from stackbench.job.words import overview_lines

    try:
        check_folders(nights)
    except WrongUseError as error:
        _wrong_use(error)
    overview = overlook(nights)
    typer.echo("\n".join(overview_lines(overview)))
    raise typer.Exit(DONE if overview.groups else NOTHING_STACKED)


def main() -> None:
    """Run the command line and leave with its exit code."""
    app(prog_name="stackbench")


def _wrong_use(error: Exception) -> None:
    typer.echo(f"stackbench: {error}", err=True)
    raise typer.Exit(WRONG_USE)
