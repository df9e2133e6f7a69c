"""Everything a run found, judged and made, as the record it leaves."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from stackbench import __version__
from stackbench.calibration.phototransfer import MeasuredCamera
from stackbench.calibration.records import CalibrationSet, Serving
from stackbench.export.lessons import LimitEntry, finding_entry
from stackbench.export.night import (
    ChannelFiles,
    DroppedFrame,
    MasterEntry,
    Night,
    ProblemEntry,
    StackEntry,
    night_json,
    write_night,
)
from stackbench.export.noiseparts import noise_lines
from stackbench.export.tables import write_frames_csv
from stackbench.frames.angles import field_deg
from stackbench.frames.names import setup_label
from stackbench.frames.records import Kind, Problem
from stackbench.frames.work import in_threads
from stackbench.job.advising import advice_of
from stackbench.job.badgrowth import HotGrowth, bad_pixel_words, hot_growth
from stackbench.job.bench import Bench
from stackbench.job.camera import camera_numbers
from stackbench.job.diagnosing import Diagnosis
from stackbench.job.exporting import FinishedChannel
from stackbench.job.frameentries import frame_entries
from stackbench.job.judging import JudgedGroup
from stackbench.job.keys import file_mark, key_of
from stackbench.job.overview import times_served
from stackbench.job.rereading import NIGHT_NAME, PAGE_NAME, TABLE_NAME
from stackbench.job.shelf import FinishedMaster, MasterShelf
from stackbench.job.versions import library_versions
from stackbench.job.workshop import Workshop
from stackbench.review.limits import PlacedLimit


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """What the steps of a job made."""

    folders: tuple[Path, ...]
    shop: Workshop
    judged: tuple[JudgedGroup, ...]
    diagnosis: Diagnosis
    channels: tuple[FinishedChannel, ...]
    problems: tuple[Problem, ...]


def record_of(results: Results) -> Night:
    """Write down a run.

    Parameters
    ----------
    results : Results
        What the steps made.

    Returns
    -------
    Night
        The record, to be written as night.json, tables and report.
    """
    shop, nights = results.shop, results.diagnosis.nights
    now = datetime.now(UTC)
    seen = {one.path: one for night in nights for one in night.observations}
    return Night(
        out=shop.bench.out,
        inputs=results.folders,
        written=now,
        frames=frame_entries(
            shop.found,
            results.judged,
            servings=shop.plan.servings,
            shelf=shop.shelf,
            used={
                one.frame.path: one
                for channel in results.channels
                for one in channel.stack.recipe.subs
            },
            hits=_hits(results),
            seen=seen,
        ),
        masters=_masters(results),
        stacks=tuple(_stack(channel) for channel in results.channels),
        problems=tuple(
            ProblemEntry(path=one.path, what=one.what, why=one.why, remedy=one.remedy)
            for one in results.problems
        ),
        findings=tuple(map(finding_entry, results.diagnosis.findings)),
        advice=advice_of(
            nights,
            results.channels,
            _cameras(results),
            shop.plan.servings,
            gain=shop.bench.settings.planning.gain,
            now=now,
        ),
        limits=tuple(_limit(group, one) for group in results.judged for one in group.limits),
        field_maps=results.diagnosis.field_maps,
        settings=shop.bench.settings.model_dump(mode="json"),
        versions=library_versions(),
    )


def _hits(results: Results) -> dict[Path, int]:
    """Count the pixels hit by cosmic rays in each light in which they were looked for."""
    return {
        one.frame.path: count
        for channel in results.channels
        if channel.stack.recipe.cleaned
        for one, count in zip(
            channel.stack.recipe.subs, channel.stack.facts.cosmic_pixels, strict=True
        )
    }


def _cameras(results: Results) -> dict[str, MeasuredCamera | None]:
    """Give the camera's numbers by setup."""
    setups = {setup_label(one.group.setup): one.group.setup for one in results.judged}
    return {label: camera_numbers(results.shop, setup.camera) for label, setup in setups.items()}


def write_record(bench: Bench, night: Night) -> None:
    """Write the record as night.json, frames.csv and report.html.

    What says the same as the files that are there is not written again, but
    for the moment of writing: they keep that of the last change.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    night : Night
        The record.

    Raises
    ------
    WriteError
        If a file cannot be written.
    """
    paths = [bench.out / name for name in (NIGHT_NAME, TABLE_NAME, PAGE_NAME)]
    said = night_json(night)
    del said["written"]
    key = key_of(__version__, said)
    known = bench.store.recall("record", key)
    if known is not None and known[0]["marks"] == [file_mark(path) for path in paths]:
        return
    from stackbench.export.report import write_report

    # each waits for the disk
    in_threads(
        lambda write: write(),
        [
            partial(write_night, paths[0], night),
            partial(write_frames_csv, paths[1], night.frames),
            partial(write_report, paths[2], night),
        ],
        threads=3,
    )
    bench.store.keep("record", key, {"marks": [file_mark(path) for path in paths]})


def _limit(group: JudgedGroup, one: PlacedLimit) -> LimitEntry:
    return LimitEntry(
        target=group.group.target,
        setup=setup_label(group.group.setup),
        filter=group.group.filter,
        measure=one.measure,
        limit=one.limit,
        bad=one.bad.value,
        typical=one.typical,
        exposure_s=one.exposure_s,
    )


def _masters(results: Results) -> tuple[MasterEntry, ...]:
    shop, entries = results.shop, []
    lights = [shop.plan.servings[sub.frame.path] for group in results.judged for sub in group.subs]
    served = times_served(lights)
    bad = _bad_pixels(shop.bench, shop.shelf, lights)
    for one, master in shop.shelf.all():
        numbers = None
        if one.kind in (Kind.BIAS, Kind.FLAT):
            numbers = camera_numbers(shop, one.setup.camera)
        growth = hot_growth(shop.bench, one, master)
        entries.append(_master(one, master, numbers, served.get(one, 0), bad.get(one), growth))
    return tuple(entries)


def _master(
    one: CalibrationSet,
    master: FinishedMaster,
    numbers: MeasuredCamera | None,
    serves: int,
    bad_pixels: int | None,
    growth: HotGrowth | None,
) -> MasterEntry:
    facts = master.facts
    read_noise = numbers.read_noise_e if numbers is not None else None
    return MasterEntry(
        kind=one.kind.value,
        path=master.path,
        frames=facts.paths,
        filter=one.filter,
        setup=setup_label(one.setup),
        exposure_s=one.exposure_s if one.kind is not Kind.BIAS else None,
        temperature_c=one.temperature_c,
        rejected_pixels=facts.rejected_pixels,
        read_noise_e=read_noise if one.kind is Kind.BIAS else None,
        gain_e_per_adu=numbers.gain_e_per_adu if numbers is not None else None,
        level_adu=facts.level_adu,
        bad_pixels=bad_pixels,
        defects=facts.defects,
        new_hot=growth.new if growth is not None else None,
        new_hot_since=growth.since.isoformat() if growth is not None else None,
        night=one.night.isoformat() if one.night is not None else None,
        from_library=one.stored is not None,
        serves=serves,
        dropped=tuple(DroppedFrame(path=d.path, why=d.reason) for d in facts.dropped),
        notes=(
            f"combined by {facts.method}",
            *bad_pixel_words(facts.defects, growth),
            *(("kept in the master library from an earlier night",) if one.stored else ()),
        ),
        warnings=tuple(f"{p.what}. {p.why}" for p in facts.problems if p.path is None),
        sha256=master.sha256,
    )


def _bad_pixels(
    bench: Bench, shelf: MasterShelf, servings: Iterable[Serving]
) -> dict[CalibrationSet, int]:
    """Count the bad pixels that each dark and flat marked in the lights it serves.

    A short light is disturbed by fewer hot pixels than a long one: the count
    is that of the lights that lose the most.
    """
    counts: dict[CalibrationSet, int] = {}
    for serving in dict.fromkeys(servings):
        known = bench.store.recall("bad pixels", shelf.serving_key(serving))
        if known is None:
            continue
        marked = known[0]
        for one, count in (
            (serving.dark, marked["dark"]),
            (serving.flat, marked["flat"]),
        ):
            if one is not None:
                counts[one] = max(count, counts.get(one, 0))
    return counts


def _stack(channel: FinishedChannel) -> StackEntry:
    stack, facts = channel.stack, channel.facts
    recipe = stack.recipe
    return StackEntry(
        target=recipe.group.target,
        setup=setup_label(recipe.group.setup),
        filter=recipe.group.filter,
        path=stack.path,
        frames=tuple(one.frame.path for one in recipe.subs),
        shape=recipe.grid_shape,
        channel=ChannelFiles(fits=channel.paths.fits, tif=channel.paths.tif, png=channel.paths.png),
        exposure_s=recipe.exposure_s,
        noise_adu=stack.facts.noise_adu,
        predicted_noise_adu=stack.facts.predicted_noise_adu,
        cosmic_pixels=sum(stack.facts.cosmic_pixels) if recipe.cleaned else None,
        noise_parts=stack.facts.noise_parts,
        noise_lines=noise_lines(stack.facts.noise_parts, stack.facts.dithering_gain),
        fwhm_px=stack.facts.fwhm_px,
        reference=recipe.reference.frame.path,
        rejection=stack.facts.rejection,
        clipped_low=stack.facts.clipped_low,
        clipped_high=stack.facts.clipped_high,
        crop=facts.crop,
        field_deg=_field(facts.crop, recipe.reference.frame.scale_arcsec_px),
        black_adu=facts.black_adu,
        white_adu=facts.white_adu,
        has_wcs=facts.has_wcs,
        warnings=stack.facts.warnings,
        sha256=stack.facts.sha256,
    )


def _field(
    crop: tuple[int, int, int, int], scale_arcsec_px: float | None
) -> tuple[float, float] | None:
    if scale_arcsec_px is None:
        return None
    _, _, columns, rows = crop
    return (
        field_deg(columns, scale_arcsec_px=scale_arcsec_px),
        field_deg(rows, scale_arcsec_px=scale_arcsec_px),
    )
