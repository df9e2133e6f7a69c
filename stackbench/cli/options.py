"""Options, exit codes and refusals that commands share."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from stackbench.job.history import History
    from stackbench.job.library import Library

DONE, NOTHING_DONE, WRONG_USE, CANCELLED = 0, 1, 2, 130

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


def chosen_library(folder: Path | None, *, without: bool) -> "Library | None":
    """Give the library that the options name."""
    from stackbench.job.library import Library, default_library

    return None if without else Library(folder or default_library())


def chosen_history(file: Path | None) -> "History":
    """Give the history that the option names."""
    from stackbench.job.history import History, default_history

    return History(file or default_history())


def wrong_use(error: Exception) -> NoReturn:
    """Say what was wrong, and end the command."""
    typer.echo(f"stackbench: {error}", err=True)
    raise typer.Exit(WRONG_USE)
