"""The numbers of one master that need its pixels: histogram, vignetting."""

from dataclasses import dataclass

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.histogram import Histogram, pixel_histogram
from stackbench.frames.records import Kind
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.shelf import FinishedMaster


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterSheet:
    """What a master's pixels tell.

    In a dark a pixel is hot from `hot_from_adu` if its surroundings have the
    level of the whole; a flat's corners lack the part `vignetting` of the
    light; None where that does not apply. `undefined` counts pixels without a
    value.
    """

    histogram: Histogram | None
    undefined: int
    hot_from_adu: float | None = None
    vignetting: float | None = None


_SHEET: TypeAdapter[MasterSheet] = TypeAdapter(MasterSheet)


def master_sheet(bench: Bench, master: FinishedMaster) -> MasterSheet:
    """Measure a master's pixels, or recall what was measured before.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    master : FinishedMaster
        A master on disk.

    Returns
    -------
    MasterSheet
        Its numbers.

    Raises
    ------
    ProductError
        If the file is not whole, or no master.
    OSError
        If it cannot be read.
    """
    key = key_of(__version__, master.key)
    known = bench.store.recall("master sheet", key)
    if known is not None:
        return _SHEET.validate_python(known[0])
    sheet = _measured(master)
    bench.store.keep("master sheet", key, _SHEET.dump_python(sheet, mode="json"))
    return sheet


def _measured(master: FinishedMaster) -> MasterSheet:
    import numpy as np

    from stackbench.calibration.defects import HOT_SIGMA
    from stackbench.calibration.vignetting import vignetting
    from stackbench.export.fits import read_image

    image = read_image(master.path, verify=False).image
    facts = master.facts
    hot_from = fall_off = None
    # a mean of whole numbers
    step = 0.0 if facts.kind is Kind.FLAT else 1 / len(facts.paths)
    if facts.kind in (Kind.DARK, Kind.DARK_FLAT):
        hot_from = facts.level_adu + HOT_SIGMA * (facts.frame_noise_adu or 0.0)
    if facts.kind is Kind.FLAT:
        fall_off = vignetting(image)
    return MasterSheet(
        histogram=pixel_histogram(image, step=step),
        undefined=int(np.count_nonzero(~np.isfinite(image))),
        hot_from_adu=hot_from,
        vignetting=fall_off.corners if fall_off is not None else None,
    )
