"""Stretches of the night, as keys and clicks choose them."""

from pathlib import Path

from stackbench.window.night import NightModel


def neighbour(model: NightModel, by: int) -> Path | None:
    """Find the sub that is so many further in time than the current one.

    Parameters
    ----------
    model : NightModel
        The night.
    by : int
        How many further; below 0 back.

    Returns
    -------
    Path or None
        The first sub if none is current, the last one at the end; None in an
        empty night.
    """
    paths = [row.path for row in model.rows]
    if not paths:
        return None
    index = paths.index(model.current) + by if model.current in paths else 0
    return paths[min(max(index, 0), len(paths) - 1)]


def stretch_to(model: NightModel, path: Path) -> frozenset[Path]:
    """List the subs from the current one to another.

    Parameters
    ----------
    model : NightModel
        The night.
    path : Path
        The other one.

    Returns
    -------
    frozenset of Path
        Both and those between; just the other one if none is current.
    """
    paths = [row.path for row in model.rows]
    if model.current not in paths:
        return frozenset({path})
    first, last = sorted((paths.index(model.current), paths.index(path)))
    return frozenset(paths[first : last + 1])


def clicked(model: NightModel, path: Path | None, *, more: bool, stretch: bool) -> frozenset[Path]:
    """List the subs that are chosen after a click.

    Parameters
    ----------
    model : NightModel
        The night, with what was chosen before.
    path : Path or None
        The sub that was clicked; None beside all subs.
    more : bool
        Whether the sub joins what is chosen, or leaves it.
    stretch : bool
        Whether all from the current sub to this one are chosen.

    Returns
    -------
    frozenset of Path
        Empty after a plain click, which looks at the sub.
    """
    if path is None:
        return frozenset()
    if more:
        return model.chosen ^ {path}
    return stretch_to(model, path) if stretch else frozenset()
