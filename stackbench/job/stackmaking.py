"""Make one stack from its recipe, and write it."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from stackbench.calibration.apply import CalibratedRows
from stackbench.calibration.cosmics import CleanedRows
from stackbench.export.fits import write_stack
from stackbench.export.provenance import InputFile, ProductFacts, Provenance
from stackbench.job.bench import Bench
from stackbench.job.calibrators import CalibratorDesk
from stackbench.job.camera import camera_numbers
from stackbench.job.cleaning import cleaned
from stackbench.job.finding import Found
from stackbench.job.judging import known
from stackbench.job.noisesources import NoiseSources
from stackbench.job.progress import Step
from stackbench.job.recipes import Recipe
from stackbench.job.sky import grid_wcs
from stackbench.job.stacking import StackFacts
from stackbench.job.versions import library_versions
from stackbench.job.workshop import Workshop
from stackbench.stacking.engine import stack_subs
from stackbench.stacking.prediction import predict_noise
from stackbench.stacking.records import Stack, StackInput
from stackbench.stars.quality import measure_frame


def make_stack(
    shop: Workshop,
    recipe: Recipe,
) -> tuple[Stack, list[StackInput]]:
    """Add up a stack.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    recipe : Recipe
        What goes in.

    Returns
    -------
    tuple of Stack and list of StackInput
        Its pixels on the grid, and what went in.

    Raises
    ------
    FrameError
        If a sub cannot be read any more.
    """
    bench = shop.bench
    bench.compiling.wait("rejection", "resampling", "gaps", "turns", "noise")
    inputs = stack_inputs(shop, recipe)
    reported = 0

    def _tick(done: int, total: int) -> None:
        nonlocal reported
        subs_done = done * len(inputs) // total
        bench.progress.advance(Step.STACK, subs_done - reported)
        reported = subs_done

    stack = stack_subs(
        inputs,
        grid_shape=recipe.grid_shape,
        rejection=bench.settings.stacking,
        jobs=bench.threads,
        tick=_tick,
        stop=bench.stop,
    )
    return stack, inputs


def stack_inputs(
    shop: Workshop,
    recipe: Recipe,
) -> list[StackInput]:
    """Make the subs of a stack ready to be read, calibrated, by rows.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    recipe : Recipe
        What goes in.

    Returns
    -------
    list of StackInput
        In the order of the recipe.

    Raises
    ------
    FrameError
        If a sub cannot be read any more.
    """
    calibrators = CalibratorDesk(shop)
    calibrated = [
        CalibratedRows(
            shop.desk.pixels(one.frame),
            calibrators.calibrator(shop.plan.servings[one.frame.path], one.frame.setup.camera),
        )
        for one in recipe.subs
    ]
    sources: Sequence[CalibratedRows | CleanedRows] = calibrated
    if recipe.cleaned:
        camera = recipe.group.setup.camera
        numbers = camera_numbers(shop, camera)
        gain = None if numbers is None else numbers.gain_e_per_adu
        sources = cleaned(shop.bench, recipe, calibrated, gain_e_per_adu=gain)
    return [
        StackInput(
            source=source,
            matrix=one.matrix,
            scale=one.scale,
            offset=one.offset,
            noise_adu=one.noise_adu,
            weight=one.weight,
        )
        for one, source in zip(recipe.subs, sources, strict=True)
    ]


def measure_stack(
    shop: Workshop,
    recipe: Recipe,
    stack: Stack,
    inputs: Sequence[StackInput],
    sources: NoiseSources,
) -> StackFacts:
    """Measure a stack.

    Parameters
    ----------
    shop : Workshop
        The bench and the frames.
    recipe : Recipe
        What went in.
    stack : Stack
        Its pixels.
    inputs : sequence of StackInput
        What went in, as `make_stack` gave it.
    sources : NoiseSources
        Where its noise comes from.

    Returns
    -------
    StackFacts
        The stack's numbers.
    """
    measures = measure_frame(stack.data, options=shop.bench.settings.stars)
    method = stack.choice.rejection.method
    predicted = predict_noise(inputs, recipe.grid_shape, method=method)
    return StackFacts(
        rejection=str(method),
        clipped_low=int(stack.clip_low.sum(dtype=np.int64)),
        clipped_high=int(stack.clip_high.sum(dtype=np.int64)),
        noise_adu=known(measures.noise_adu),
        predicted_noise_adu=predicted.pixel_adu * sources.growth,
        white_noise_adu=predicted.white_adu * sources.growth,
        fwhm_px=known(measures.fwhm_px),
        noise_parts=sources.parts,
        dithering_gain=sources.dithering_gain,
        cosmic_pixels=tuple(
            one.source.hits.size for one in inputs if isinstance(one.source, CleanedRows)
        ),
        warnings=tuple(stack.warnings),
    )


def write_finished(
    shop: Workshop, recipe: Recipe, stack: Stack, path: Path, facts: StackFacts, *, growth: float
) -> None:
    """Write a stack that is measured.

    Parameters
    ----------
    shop : Workshop
        The bench and the frames.
    recipe : Recipe
        What went in.
    stack : Stack
        Its pixels.
    path : Path
        The file to make or to replace.
    facts : StackFacts
        Its numbers.
    growth : float
        How many times larger its noise is for what the subs share, of which the
        engine knows nothing.

    Raises
    ------
    WriteError
        If the file cannot be written.
    """
    write_stack(
        path,
        stack.data,
        coverage=stack.coverage,
        clipped_low=stack.clip_low,
        clipped_high=stack.clip_high,
        noise=stack.noise * np.float32(growth),
        facts=product_facts(recipe, facts, kind="stack"),
        provenance=stack_provenance(shop.bench, shop.found, recipe, facts),
    )


def product_facts(recipe: Recipe, facts: StackFacts, *, kind: str) -> ProductFacts:
    """Tell what a stack or channel shows.

    Parameters
    ----------
    recipe : Recipe
        What went in.
    facts : StackFacts
        The stack's numbers.
    kind : str
        "stack" or "channel".

    Returns
    -------
    ProductFacts
        For the header; world coordinates are those of the whole grid.
    """
    frames = [one.frame for one in recipe.subs]
    starts = [one.time for one in frames if one.time is not None]
    ends = [
        one.time + timedelta(seconds=one.exposure_s or 0.0)
        for one in frames
        if one.time is not None
    ]
    return ProductFacts(
        kind=kind,
        frames=len(frames),
        setup=recipe.group.setup,
        target=recipe.group.target,
        filter=recipe.group.filter,
        exposure_s=recipe.exposure_s,
        time_start=min(starts, default=None),
        time_end=max(ends, default=None),
        pixel_size_um=recipe.grid.frame.pixel_size_um,
        noise_adu=facts.noise_adu,
        fwhm_px=facts.fwhm_px,
        rejected_pixels=facts.clipped_low + facts.clipped_high,
        wcs=grid_wcs(recipe.grid.frame),
    )


def stack_provenance(bench: Bench, found: Found, recipe: Recipe, facts: StackFacts) -> Provenance:
    """Tell where a stack or channel comes from.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's checksums.
    recipe : Recipe
        What went in.
    facts : StackFacts
        The stack's numbers.

    Returns
    -------
    Provenance
        Inputs with checksums, settings, versions and warnings.
    """
    settings = {
        f"stacking.{name}": value for name, value in asdict(bench.settings.stacking).items()
    }
    settings["rejection used"] = facts.rejection
    settings["reference"] = recipe.reference.frame.path.name
    settings["grid"] = recipe.grid.frame.path.name
    return Provenance(
        inputs=tuple(
            InputFile(name=one.frame.path.name, sha256=found.checksums[one.frame.path])
            for one in recipe.subs
        ),
        settings=settings,
        versions=library_versions(),
        notes=facts.warnings,
        written=datetime.now(UTC),
    )
