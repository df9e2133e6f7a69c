"""The whole job: from the frames found to aligned channels and their record.

`run_job` is all of it at once. The parts are for who wants to see, between
them, what was found out: each takes what the parts before it returned.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from stackbench.export.night import Night
from stackbench.frames.groups import light_groups
from stackbench.frames.records import Problem
from stackbench.job.background import Background
from stackbench.job.bench import Bench
from stackbench.job.camerarecords import camera_records
from stackbench.job.decisions import take_decisions
from stackbench.job.diagnosing import diagnosis_of
from stackbench.job.doubts import calibration_doubts
from stackbench.job.exporting import FinishedChannel, export_channels
from stackbench.job.judging import JudgedGroup, judge_field
from stackbench.job.labelling import take_labels
from stackbench.job.leftovers import older_products
from stackbench.job.looking import Looked, look_again
from stackbench.job.mastering import HearMasters, make_masters, unheard
from stackbench.job.measuring import Measured, measure_lights
from stackbench.job.pixels import PixelDesk
from stackbench.job.record import Results, record_of, write_record
from stackbench.job.registering import Field, register_lights
from stackbench.job.shelf import MasterShelf
from stackbench.job.stacking import FinishedStack, stack_groups
from stackbench.job.standing import with_history
from stackbench.job.workshop import Workshop
from stackbench.review.camera import CameraRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredNight:
    """The masters made, every light measured and placed on its grid, the cameras known."""

    looked: Looked
    shelf: MasterShelf
    measured: Measured
    fields: tuple[Field, ...]
    cameras: tuple[CameraRecord, ...]

    def workshop(self, bench: Bench, desk: PixelDesk) -> Workshop:
        """Make the place ready where the night's pixels are worked on.

        Parameters
        ----------
        bench : Bench
            The bench with the settings of the work.
        desk : PixelDesk
            Gives the frames' pixels.

        Returns
        -------
        Workshop
            With the finished masters.
        """
        found, plan = self.looked.found, self.looked.overview.plan
        return Workshop(bench=bench, found=found, plan=plan, shelf=self.shelf, desk=desk)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What was stacked and exported from judged lights, and the record of it."""

    stacks: tuple[FinishedStack, ...]
    channels: tuple[FinishedChannel, ...]
    problems: tuple[Problem, ...]
    night: Night


def run_job(
    bench: Bench,
    looked: Looked,
    *,
    keep: Collection[str] = (),
    reject: Collection[str] = (),
    release: Collection[str] = (),
    kinds: Collection[str] = (),
    filters: Collection[str] = (),
    unset: Collection[str] = (),
) -> Night:
    """Do the whole job, leaving out what an earlier run did already.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    looked : Looked
        What lies in the nights' folders.
    keep, reject, release : collection of str
        File names of subs to keep or reject by hand, or to hand back to the
        rules; remembered for later runs.
    kinds, filters, unset : collection of str
        Kinds and filters to set by hand, and frames to leave to their headers
        again, as for `take_labels`; remembered for later runs.

    Returns
    -------
    Night
        The record, as written to the output folder.

    Raises
    ------
    WrongUseError
        If a name fits no sub, or more than one.
    Cancelled
        If the bench's `stop` answered True; finished products stay.
    WriteError
        If a product cannot be written.
    """
    found = looked.found
    if take_labels(
        bench, found.as_read, found.checksums, kinds=kinds, filters=filters, unset=unset
    ):
        looked = look_again(bench, looked)
    take_decisions(bench, looked.found, keep=keep, reject=reject, release=release)
    desk = PixelDesk(bench.scratch)
    night = measure_night(bench, desk, looked)
    return finish_night(bench, desk, night, judge_night(bench, night)).night


def measure_night(
    bench: Bench, desk: PixelDesk, looked: Looked, *, hear: HearMasters = unheard
) -> MeasuredNight:
    """Make the masters, measure every light and place it on its grid.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    desk : PixelDesk
        Gives the frames' pixels.
    looked : Looked
        What was found.
    hear : callable
        Called with the masters whenever one is finished, from any thread.

    Returns
    -------
    MeasuredNight
        All that judging needs.

    Raises
    ------
    Cancelled
        If the bench's `stop` answered True; finished masters stay.
    WriteError
        If a master cannot be written.
    """
    plan = looked.overview.plan
    shop = Workshop(
        bench=bench, found=looked.found, plan=plan, shelf=MasterShelf(plan.sets), desk=desk
    )
    # a master that waits to be written is kept for the lights anyway
    with Background(waiting=1) as background:
        make_masters(shop, background=background, hear=hear)
        measured = measure_lights(shop)
        cameras = background.start(lambda: camera_records(shop, measured.subs))
        fields = register_lights(bench, light_groups(looked.found.frames), measured)
    bench.store.settle()
    return MeasuredNight(
        looked=looked,
        shelf=shop.shelf,
        measured=measured,
        fields=fields,
        cameras=cameras.result(),
    )


def judge_night(bench: Bench, night: MeasuredNight) -> tuple[JudgedGroup, ...]:
    """Judge every light by the limits of the settings and the decisions by hand.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    night : MeasuredNight
        The measured lights.

    Returns
    -------
    tuple of JudgedGroup
        One per target, setup and filter.
    """
    return tuple(
        group
        for field in night.fields
        for group in judge_field(bench, night.looked.found, field, night.measured)
    )


def finish_night(
    bench: Bench, desk: PixelDesk, night: MeasuredNight, judged: Sequence[JudgedGroup]
) -> Outcome:
    """Stack what is kept, export the channels and write the record.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    desk : PixelDesk
        Gives the frames' pixels.
    night : MeasuredNight
        The measured lights.
    judged : sequence of JudgedGroup
        The lights with their verdicts.

    Returns
    -------
    Outcome
        Stacks, channels, all problems of the job, and the record as written
        to the output folder.

    Raises
    ------
    Cancelled
        If the bench's `stop` answered True; finished products stay.
    WriteError
        If a product cannot be written.
    """
    shop = night.workshop(bench, desk)
    with Background(waiting=1) as background:
        begun, unstacked = stack_groups(shop, judged, background=background)
        # the rest goes on while the last stack is measured and written
        doubts = calibration_doubts(shop, night.measured.subs)
        diagnosis = diagnosis_of(judged, night.cameras)
        desk.forget()
        channels, unaligned = export_channels(bench, shop.found, begun)
    stacks = tuple(one.finished() for one in begun)
    problems = (
        *night.looked.overview.problems,
        *night.shelf.problems,
        *night.measured.problems,
        *doubts,
        *unstacked,
        *unaligned,
        *older_products(bench.out, stacks, channels),
    )
    results = Results(
        folders=night.looked.folders,
        shop=shop,
        judged=tuple(judged),
        diagnosis=diagnosis,
        channels=channels,
        problems=tuple(dict.fromkeys(problems)),
    )
    record, forgotten = with_history(bench.history, record_of(results))
    write_record(bench, record)
    bench.store.settle()
    return Outcome(
        stacks=stacks,
        channels=channels,
        problems=(*results.problems, *forgotten),
        night=record,
    )
