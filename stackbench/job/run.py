"""The whole job: from the nights' folders to aligned channels and their record."""

from collections.abc import Collection, Sequence
from pathlib import Path

from stackbench.export.night import Night, write_night
from stackbench.export.report import write_report
from stackbench.export.tables import write_frames_csv
from stackbench.frames.groups import light_groups
from stackbench.job.bench import Bench
from stackbench.job.decisions import take_decisions
from stackbench.job.exporting import export_channels
from stackbench.job.finding import find_frames
from stackbench.job.judging import judge_field
from stackbench.job.mastering import make_masters
from stackbench.job.measuring import measure_lights
from stackbench.job.overview import overview_of
from stackbench.job.pixels import PixelDesk
from stackbench.job.record import Results, record_of
from stackbench.job.registering import register_lights
from stackbench.job.stacking import stack_groups


def run_job(
    bench: Bench,
    folders: Sequence[Path],
    *,
    keep: Collection[str] = (),
    reject: Collection[str] = (),
    release: Collection[str] = (),
) -> Night:
    """Do the whole job, leaving out what an earlier run did already.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    folders : sequence of Path
        The nights' folders.
    keep, reject, release : collection of str
        File names of subs to keep or reject by hand, or to hand back to the
        rules; remembered for later runs.

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
    folders = tuple(folder.resolve() for folder in folders)
    found = find_frames(bench, folders)
    take_decisions(bench, found, keep=keep, reject=reject, release=release)
    overview = overview_of(found.frames, found.problems)
    desk = PixelDesk(bench.scratch)
    shelf = make_masters(bench, found, overview.plan, desk)
    measured = measure_lights(bench, found, overview.plan, shelf, desk)
    groups = light_groups(found.frames)
    fields = register_lights(bench, groups, measured)
    judged = [group for field in fields for group in judge_field(bench, found, field, measured)]
    stacks, unstacked = stack_groups(bench, found, overview.plan, shelf, desk, judged)
    channels, unaligned = export_channels(bench, found, stacks)
    problems = (
        *overview.problems,
        *shelf.problems,
        *measured.problems,
        *unstacked,
        *unaligned,
    )
    results = Results(
        folders=folders,
        found=found,
        plan=overview.plan,
        shelf=shelf,
        judged=tuple(judged),
        channels=channels,
        problems=tuple(dict.fromkeys(problems)),
    )
    night = record_of(bench, desk, results)
    write_frames_csv(bench.out / "frames.csv", night.frames)
    write_night(bench.out / "night.json", night)
    write_report(bench.out / "report.html", night)
    return night
