"""Cosmic rays looked for in single subs, or recalled as found before."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from stackbench import __version__
from stackbench.calibration.apply import CalibratedRows
from stackbench.calibration.cosmics import CleanedRows, SubLevels, find_hits
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.recipes import Ingredient, Recipe


def cleaned(
    bench: Bench,
    recipe: Recipe,
    sources: Sequence[CalibratedRows],
    *,
    gain_e_per_adu: float | None,
) -> list[CleanedRows]:
    """Leave the hits of cosmic rays out of the subs of a stack.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    recipe : Recipe
        What goes into the stack.
    sources : sequence of CalibratedRows
        Its subs, in the order of the recipe.
    gain_e_per_adu : float or None
        The camera's measured gain; that of a sub's header is next best.

    Returns
    -------
    list of CleanedRows
        The same subs, undefined where they were hit.

    Raises
    ------
    FrameError
        If a sub cannot be read any more.
    Cancelled
        If the bench's `stop` answered True.
    """
    return [
        CleanedRows(source, _hits(bench, one, source, gain_e_per_adu or one.frame.egain_e_per_adu))
        for one, source in zip(recipe.subs, sources, strict=True)
    ]


def _hits(
    bench: Bench, one: Ingredient, source: CalibratedRows, gain_e_per_adu: float | None
) -> NDArray[np.int64]:
    key = key_of(__version__, one.key, gain_e_per_adu)
    known = bench.store.recall("cosmic rays", key)
    if known is not None:
        return np.frombuffer(known[1] or b"", dtype="<i8").astype(np.int64)
    levels = SubLevels(sky_adu=one.sky_adu, noise_adu=one.noise_adu, gain_e_per_adu=gain_e_per_adu)
    hits = find_hits(source, levels, jobs=bench.threads, stop=bench.stop)
    record = {"file": one.frame.path.name, "hits": hits.size}
    bench.store.keep("cosmic rays", key, record, hits.astype("<i8").tobytes())
    return hits
