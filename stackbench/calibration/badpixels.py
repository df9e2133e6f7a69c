"""Pixels that no calibration can mend: hot and cold ones, unstable, dead and dim ones."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.defects import MOST_BAD_SHARE, defects_of, find_defects, hot_pixels
from stackbench.calibration.records import Defect, DefectCounts, Defects, Master
from stackbench.frames.records import Problem
from stackbench.frames.words import percent


@dataclass(frozen=True, slots=True, kw_only=True)
class BadPixels:
    """Which pixels are undefined in every calibrated frame.

    `mask` is (ny, nx) bool, True where bad. `dark` and `flat` count what each
    of the masters marks.
    """

    mask: NDArray[np.bool_]
    dark: DefectCounts = field(default_factory=DefectCounts)
    flat: DefectCounts = field(default_factory=DefectCounts)
    problems: tuple[Problem, ...] = ()


def bad_pixels(
    *, dark: Master | None, flat: Master | None, dark_scale: float | None = None
) -> BadPixels | None:
    """Mark the bad pixels that the masters show.

    Parameters
    ----------
    dark : Master or None
        Shows hot, cold and unstable pixels, and odd columns.
    flat : Master or None
        Shows dim and bright ones, and odd columns.
    dark_scale : float, optional
        Exposure of the light over that of the dark, when they differ: a short
        light gathers less of a hot pixel's current.

    Returns
    -------
    BadPixels or None
        None without dark and flat.

    Notes
    -----
    A master that would mark more than 5 % of the pixels is not believed: it
    marks only those that are undefined in it, and a problem says so.
    """
    masters = [one for one in (dark, flat) if one is not None]
    if not masters:
        return None
    mask = ~np.isfinite(masters[0].data)
    for one in masters[1:]:  # one array after the other: reducing a list of them copies it
        mask |= ~np.isfinite(one.data)
    counts: dict[str, DefectCounts] = {}
    problems: list[Problem] = []
    for one in masters:
        bad = one.bad or find_defects(one.kind, one.data, noise_adu=one.frame_noise_adu or 0.0)
        if one is dark and dark_scale is not None:
            bad = _scaled(one, bad, dark_scale)
        name = "dark" if one is dark else "flat"
        share = bad.counts.total / one.data.size
        if share > MOST_BAD_SHARE:
            problems.append(_disbelieved(name, one, share))
            continue
        mask.reshape(-1)[bad.places] = True
        counts[name] = bad.counts
    return BadPixels(mask=mask, problems=tuple(problems), **counts)


def _scaled(dark: Master, bad: Defects, scale: float) -> Defects:
    """Find anew what is hot or cold in a light of another exposure than the dark's."""
    above, below = hot_pixels(dark.data, noise_adu=dark.frame_noise_adu or 0.0, scale=scale)
    return defects_of(
        {
            Defect.HOT: np.flatnonzero(above),
            Defect.COLD: np.flatnonzero(below),
            Defect.UNSTABLE: bad.of(Defect.UNSTABLE),
            Defect.COLUMN: bad.of(Defect.COLUMN),
        },
        dark.data.size,
    )


def _disbelieved(name: str, master: Master, share: float) -> Problem:
    return Problem(
        what=f"The bad pixels that the master {name} shows are not used",
        why=f"It would mark {percent(share, 1)} of the pixels, limit {percent(MOST_BAD_SHARE)}.",
        remedy=f"Look at the {name} frames: light may have leaked in, or the "
        "camera been set up differently.",
        path=master.paths[0],
    )
