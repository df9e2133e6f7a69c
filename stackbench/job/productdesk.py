"""Answers to what a person asks about the products of a job."""

import threading
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from stackbench.calibration.phototransfer import MeasuredCamera
from stackbench.calibration.records import CalibrationSet
from stackbench.frames.records import Kind
from stackbench.frames.work import Stop
from stackbench.job.bench import Bench
from stackbench.job.camera import camera_numbers
from stackbench.job.difference import Difference, Doubt, doubt_of, make_difference
from stackbench.job.judging import JudgedGroup
from stackbench.job.mastersheet import MasterSheet, master_sheet
from stackbench.job.noisecurve import NoiseCurve, noise_curve
from stackbench.job.pixels import PixelDesk
from stackbench.job.progress import Progress
from stackbench.job.recipes import Recipe
from stackbench.job.settings import Settings
from stackbench.job.shelf import FinishedMaster
from stackbench.job.stacking import FinishedStack
from stackbench.job.workshop import Workshop

if TYPE_CHECKING:
    from stackbench.job.run import MeasuredNight

_MOST_DIFFERENCES = 6  # files of a stack's size in the scratch folder


class ProductDesk:
    """Measures products for a person who looks at them; safe to share by threads.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    desk : PixelDesk
        Gives the frames' pixels.
    """

    def __init__(self, bench: Bench, desk: PixelDesk) -> None:
        self._bench = bench
        self._desk = desk
        self._lock = threading.Lock()
        self._night: MeasuredNight | None = None
        self._differences: dict[str, Difference] = {}

    def use(self, night: "MeasuredNight", *, settings: Settings) -> None:
        """Answer from now on about a night.

        Parameters
        ----------
        night : MeasuredNight
            The night, its masters made.
        settings : Settings
            What its stacks are made by.
        """
        with self._lock:
            self._night = night
            self._bench = replace(self._bench, settings=settings)

    def sheet(
        self, one: CalibrationSet, master: FinishedMaster
    ) -> tuple[MasterSheet, MeasuredCamera | None]:
        """Measure a master.

        Parameters
        ----------
        one : CalibrationSet
            What it was made from.
        master : FinishedMaster
            The master.

        Returns
        -------
        tuple of MasterSheet, and MeasuredCamera or None
            What its pixels tell, and for a bias or flat what is known of the
            camera once all masters are made.

        Raises
        ------
        ProductError
            If the file is not whole, or no master.
        OSError
            If it cannot be read.
        """
        sheet = master_sheet(self._bench, master)
        night = self._night
        if night is None or one.kind not in (Kind.BIAS, Kind.FLAT):
            return sheet, None
        shop = night.workshop(self._bench, self._desk)
        return sheet, camera_numbers(shop, one.setup.camera)

    def noise_curve(self, recipe: Recipe, *, progress: Progress, stop: Stop) -> NoiseCurve | None:
        """Measure how the noise of a stack fell with the number of its subs.

        Parameters
        ----------
        recipe : Recipe
            What the stack is made of.
        progress : Progress
            Hears of subs.
        stop : callable
            True ends it with Cancelled.

        Returns
        -------
        NoiseCurve or None
            None where it cannot be told.

        Raises
        ------
        FrameError
            If a sub cannot be read any more.
        Cancelled
            If `stop` answered True.
        """
        return noise_curve(self._at_work(progress, stop), recipe)

    def doubt(self, judged: JudgedGroup) -> Doubt | None:
        """Find the doubtful subs of a group; answers at once.

        Parameters
        ----------
        judged : JudgedGroup
            The group with its verdicts.

        Returns
        -------
        Doubt or None
            None when no sub is doubtful, or no other is left.
        """
        night = self._night
        if night is None:
            return None
        return doubt_of(self._bench, night.looked.overview.plan, night.shelf, judged)

    def difference(
        self, doubt: Doubt, finished: Sequence[FinishedStack], *, progress: Progress, stop: Stop
    ) -> Difference:
        """Work out what the doubtful subs of a group do to its stack.

        Parameters
        ----------
        doubt : Doubt
            From `doubt`.
        finished : sequence of FinishedStack
            The stacks on disk.
        progress : Progress
            Hears of subs.
        stop : callable
            True ends it with Cancelled.

        Returns
        -------
        Difference
            Kept as long as the session lasts.

        Raises
        ------
        FrameError
            If a sub cannot be read any more.
        ProductError
            If a finished stack is not whole.
        WriteError
            If the scratch folder cannot be written.
        Cancelled
            If `stop` answered True.
        """
        known = self._differences.get(doubt.key)
        if known is None:
            shop = self._at_work(progress, stop)
            known = make_difference(shop, doubt, finished=finished)
            self._differences[doubt.key] = known
            while len(self._differences) > _MOST_DIFFERENCES:
                old = self._differences.pop(next(iter(self._differences)))
                old.path.unlink(missing_ok=True)
        return known

    def _at_work(self, progress: Progress, stop: Stop) -> Workshop:
        if self._night is None:
            raise ValueError("there is nothing to ask about before the subs are measured")
        bench = replace(self._bench, progress=progress, stop=stop)
        return self._night.workshop(bench, self._desk)
