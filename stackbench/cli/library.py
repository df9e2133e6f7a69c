"""The command line of the master library: `stackbench library list|add|remove|check`."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from stackbench.cli.options import DONE, wrong_use

if TYPE_CHECKING:
    from stackbench.job.library import Library, LibraryMaster

DAMAGED = 1

app = typer.Typer(
    no_args_is_help=True,
    help="Masters of earlier nights, used for nights that lack calibration frames.",
)

Folder = Annotated[
    Path | None,
    typer.Option(
        "--library", metavar="FOLDER", help="Its folder. Default: among your application data."
    ),
]


@app.command("list")
def list_masters(*, library: Folder = None) -> None:
    """List the masters with their numbers, what they fit, and their age."""
    opened = _opened(library)
    masters = _asked(opened)
    if not masters:
        typer.echo(f"{opened.folder}: no masters are kept yet; 'stackbench library add OUT' adds")
        return
    typer.echo(str(opened.folder))
    for one in masters:
        typer.echo(f"  {_line(one)}")


@app.command()
def add(
    outs: Annotated[
        list[Path], typer.Argument(metavar="OUT", help="Output folders of finished jobs.")
    ],
    *,
    library: Folder = None,
) -> None:
    """Keep the masters of finished jobs; those that are there already are left as they are."""
    from stackbench.export.files import WriteError
    from stackbench.job.bench import WrongUseError
    from stackbench.job.borrowing import keep_masters_of
    from stackbench.job.library import LibraryError
    from stackbench.job.store import StoreError

    opened = _opened(library)
    for out in outs:
        try:
            added, known = keep_masters_of(opened, out)
        except (WrongUseError, StoreError, LibraryError, WriteError, OSError) as error:
            wrong_use(error)
        typer.echo(f"{out}: {len(added)} added, {known} there already")
        for one in added:
            typer.echo(f"  {_line(one)}")


@app.command()
def remove(
    numbers: Annotated[list[int], typer.Argument(metavar="NUMBER", help="As 'list' shows them.")],
    *,
    library: Folder = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Remove masters and their files, after asking."""
    from stackbench.job.library import LibraryError

    opened = _opened(library)
    known = {one.number: one for one in _asked(opened)}
    for number in numbers:
        if number in known:
            typer.echo(f"  {_line(known[number])}")
    if not yes and not typer.confirm("Remove these masters and their files?"):
        typer.echo("Nothing was removed.")
        return
    try:
        gone = opened.remove(numbers)
    except LibraryError as error:
        wrong_use(error)
    typer.echo(f"{len(gone)} removed")


@app.command()
def check(*, library: Folder = None) -> None:
    """Compare all files with their checksums. Exit code 1 when one is damaged or missing."""
    from stackbench.job.library import LibraryError, State

    opened = _opened(library)
    masters = _asked(opened)
    try:
        states = opened.check(masters)
        strays = opened.strays()
    except LibraryError as error:
        wrong_use(error)
    for one, state in zip(masters, states, strict=True):
        typer.echo(f"  {state:8}{_line(one)}")
    for path in strays:
        typer.echo(f"  stray   {path.name}: not in the index, never used")
    bad = sum(state is not State.GOOD for state in states)
    typer.echo(f"{len(masters)} checked, {bad} damaged or missing")
    raise typer.Exit(DAMAGED if bad else DONE)


def _opened(folder: Path | None) -> "Library":
    from stackbench.job.library import Library, default_library

    return Library(folder or default_library())


def _asked(library: "Library") -> "list[LibraryMaster]":
    from stackbench.job.library import LibraryError

    try:
        return library.masters()
    except LibraryError as error:
        wrong_use(error)


def _line(one: "LibraryMaster") -> str:
    """Tell of one master in a line."""
    from stackbench.frames.names import setup_label
    from stackbench.frames.records import Kind
    from stackbench.frames.words import celsius, counted, seconds

    facts = one.facts
    parts = [f"{one.number:4}  {facts.kind}"]
    if facts.filter is not None:
        parts.append(facts.filter)
    if facts.kind in (Kind.DARK, Kind.DARK_FLAT):
        parts += [seconds(facts.exposure_s), celsius(facts.temperature_c)]
    parts.append(counted(len(facts.paths), "frame"))
    if facts.noise is not None:
        parts.append(f"noise {facts.noise:.3g}{'' if facts.kind is Kind.FLAT else ' ADU'}")
    if facts.night is not None:
        days = (datetime.now(UTC).date() - facts.night).days
        parts.append(f"{facts.night.isoformat()} ({counted(max(days, 0), 'day')} old)")
    parts.append(setup_label(facts.setup))
    return ", ".join(parts)
