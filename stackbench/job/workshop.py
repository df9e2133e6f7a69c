"""Where pixels are worked on: the bench and the desk, with the frames and their masters."""

from dataclasses import dataclass

from stackbench.calibration.matching import CalibrationPlan
from stackbench.job.bench import Bench
from stackbench.job.finding import Found
from stackbench.job.pixels import PixelDesk
from stackbench.job.shelf import MasterShelf


@dataclass(frozen=True, slots=True, kw_only=True)
class Workshop:
    """What all work on pixels needs.

    `found` are the job's frames and checksums, `plan` says what serves which
    frame, the `shelf` has the masters that are finished, and the `desk` gives
    the frames' pixels.
    """

    bench: Bench
    found: Found
    plan: CalibrationPlan
    shelf: MasterShelf
    desk: PixelDesk
