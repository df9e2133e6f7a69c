"""How the hot pixels of a camera grew since the darks that the library keeps."""

from dataclasses import asdict, dataclass
from datetime import date

from stackbench import __version__
from stackbench.calibration.records import CalibrationSet, DefectCounts, MasterFacts
from stackbench.calibration.rules import cameras_agree
from stackbench.frames.records import Kind
from stackbench.frames.words import counted
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.library import LibraryError, LibraryMaster
from stackbench.job.shelf import FinishedMaster

# Within these two darks show the same pixels hot (common practice, no source).
_SAME_SHARE = 0.02
_SAME_TEMPERATURE_C = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HotGrowth:
    """How many pixels are hot, and how many were on an earlier evening.

    `new` of those that are hot `now` were not then. `warmer_c` is by how much the
    sensor was warmer than then, None where a header does not tell.
    """

    now: int
    before: int
    new: int
    since: date
    warmer_c: float | None = None


def hot_growth(bench: Bench, one: CalibrationSet, master: FinishedMaster) -> HotGrowth | None:
    """Compare a dark of this night with the last one like it in the library.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    one : CalibrationSet
        The dark's set.
    master : FinishedMaster
        The dark.

    Returns
    -------
    HotGrowth or None
        None for other masters, and without an earlier dark of the same camera,
        exposure and temperature that can be read.
    """
    if one.kind is not Kind.DARK or one.stored is not None or bench.library is None:
        return None
    try:
        kept = [
            (known.facts.night, known)
            for known in bench.library.masters()
            if known.facts.night is not None and _alike(known.facts, master.facts)
        ]
    except LibraryError:  # the plan's problems say so
        return None
    if not kept:
        return None
    night, last = max(kept, key=lambda pair: (pair[0], pair[1].number))
    new = _new_hot(bench, master, last)
    now, before = master.facts.defects, last.facts.defects
    if new is None or now is None or before is None:
        return None
    today, then = master.facts.temperature_c, last.facts.temperature_c
    return HotGrowth(
        now=now.hot,
        before=before.hot,
        new=new,
        since=night,
        warmer_c=None if today is None or then is None else today - then,
    )


def bad_pixel_words(counts: DefectCounts | None, growth: HotGrowth | None) -> tuple[str, ...]:
    """Say which bad pixels a master shows, and how many of them are new.

    Parameters
    ----------
    counts : DefectCounts or None
        How many of each sort.
    growth : HotGrowth or None
        How many are new.

    Returns
    -------
    tuple of str
        Lines for the report.
    """
    if counts is None:
        return ()
    sorts = asdict(counts)
    columns = sorts.pop("column")
    known = [f"{number} {sort}" for sort, number in sorts.items() if number]
    known += [f"{columns} in odd columns"] if columns else []
    lines = [f"bad pixels: {', '.join(known) or 'none'}"]
    if growth is not None:
        new = counted(growth.new, "new hot pixel")
        lines.append(f"{new} since {growth.since.isoformat()}")
    return tuple(lines)


def _new_hot(bench: Bench, master: FinishedMaster, last: LibraryMaster) -> int | None:
    key = key_of(__version__, master.key, last.sha256)
    known = bench.store.recall("hot growth", key)
    if known is not None:
        count: int = known[0]["new"]
        return count
    import numpy as np

    from stackbench.calibration.records import Defect
    from stackbench.export.blocks import ProductError
    from stackbench.job.mastermaking import read_defects

    try:
        now = read_defects(master.path, master.facts)
        before = read_defects(last.path, last.facts)
    except (ProductError, OSError):  # the library's check names damaged files
        return None
    if now is None or before is None:
        return None
    hot = now.of(Defect.HOT)
    new = int(np.count_nonzero(~np.isin(hot, before.of(Defect.HOT))))
    bench.store.keep("hot growth", key, {"new": new})
    return new


def _alike(kept: MasterFacts, now: MasterFacts) -> bool:
    """Tell whether an earlier dark shows the same pixels hot as one of now would."""
    if kept.kind is not now.kind or kept.defects is None or kept.night is None:
        return False
    if now.night is None or kept.night >= now.night:
        return False
    if kept.exposure_s is None or now.exposure_s is None:
        return False
    then, today = kept.temperature_c, now.temperature_c
    if then is not None and today is not None and abs(then - today) > _SAME_TEMPERATURE_C:
        return False
    same_time = abs(kept.exposure_s - now.exposure_s) <= _SAME_SHARE * now.exposure_s
    return same_time and cameras_agree(kept.setup.camera, now.setup.camera)
