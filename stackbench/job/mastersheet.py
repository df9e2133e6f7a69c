"""The numbers of one master that need its pixels: histogram, hot pixels, vignetting."""

from dataclasses import dataclass

from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.calibration.histogram import Histogram, pixel_histogram
from stackbench.frames.records import Kind
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.mastering import FinishedMaster


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterSheet:
    """What a master's pixels tell.

    `hot` and `cold` are counts in a dark, where a pixel is hot from
    `hot_from_adu` if its surroundings have the level of the whole; `dim` and
    `bright` are counts in a flat, whose corners lack the part `vignetting` of
    the light; None where that does not apply. `undefined` counts pixels
    without a value.
    """

    histogram: Histogram | None
    undefined: int
    hot: int | None = None
    cold: int | None = None
    hot_from_adu: float | None = None
    dim: int | None = None
    bright: int | None = None
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

    from stackbench.calibration.defects import HOT_SIGMA, hot_pixels, uneven_pixels
    from stackbench.calibration.vignetting import vignetting
    from stackbench.export.fits import read_image

    image = read_image(master.path, verify=False).image
    facts = master.facts
    hot = cold = hot_from = dim = bright = fall_off = None
    # a mean of whole numbers
    step = 0.0 if facts.kind is Kind.FLAT else 1 / len(facts.paths)
    if facts.kind in (Kind.DARK, Kind.DARK_FLAT):
        noise = facts.frame_noise_adu or 0.0
        hot_from = facts.level_adu + HOT_SIGMA * noise
        marked = hot_pixels(image, noise_adu=noise)
        hot, cold = (int(np.count_nonzero(one)) for one in marked)
    if facts.kind is Kind.FLAT:
        dim, bright = (int(np.count_nonzero(one)) for one in uneven_pixels(image))
        fall_off = vignetting(image)
    return MasterSheet(
        histogram=pixel_histogram(image, step=step),
        undefined=int(np.count_nonzero(~np.isfinite(image))),
        hot=hot,
        cold=cold,
        hot_from_adu=hot_from,
        dim=dim,
        bright=bright,
        vignetting=fall_off.corners if fall_off is not None else None,
    )
