"""Make the channels of one target: one crop, one scale, three files each."""

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from stackbench.export.crop import CommonCrop, common_crop
from stackbench.export.fits import write_channel
from stackbench.export.levels import Scale, common_scale, picture_scale
from stackbench.export.preview import write_preview
from stackbench.export.tiff import write_tiff
from stackbench.export.wcs import cropped
from stackbench.frames.records import Problem
from stackbench.frames.work import in_threads
from stackbench.job.background import Background
from stackbench.job.bench import Bench
from stackbench.job.exporting import ChannelFacts, ChannelPaths
from stackbench.job.finding import Found
from stackbench.job.progress import Step
from stackbench.job.recipes import Recipe, filter_word
from stackbench.job.stacking import BegunStack
from stackbench.job.stackmaking import product_facts, stack_provenance


def make_channels(
    bench: Bench, found: Found, members: Sequence[tuple[BegunStack, ChannelPaths]]
) -> tuple[list[ChannelFacts], list[Problem]]:
    """Make the channels of one target and setup.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    found : Found
        The job's checksums.
    members : sequence of (BegunStack, ChannelPaths)
        The stacks, on one grid, and the files to make of each.

    Returns
    -------
    list of ChannelFacts, and list of Problem
        Facts in the order of the stacks; a problem when they share no part.
    """
    bench.compiling.wait("channels")
    crop = common_crop([stack.coverage() for stack, _ in members])

    # a channel is a whole frame in memory: not more than two at a time
    threads = min(bench.threads, 2)
    stretch = bench.settings.export.stretch

    def _scale(begun: BegunStack) -> Scale:
        image = _cut(begun, crop)
        return picture_scale(image) if stretch else common_scale([image])

    scales = in_threads(_scale, [one for one, _ in members], threads=threads, stop=bench.stop)
    if not stretch:
        # one scale for all, so that the channels' ratios survive
        black, white = min(one.black for one in scales), max(one.white for one in scales)
        scales = [Scale(black=black, white=white)] * len(scales)

    def _make_one(item: tuple[tuple[BegunStack, ChannelPaths], Scale]) -> ChannelFacts:
        (begun, files), scale = item
        image = _cut(begun, crop)
        with Background() as background:  # waits for the stack's numbers and the disk meanwhile
            background.start(partial(_write_fits, bench, found, begun, files, image, crop))
            write_preview(files.png, image)
            _write_tiff(bench, begun.recipe, files, image, scale)
        shown = product_facts(begun.recipe, begun.measured.result(), kind="channel")
        return ChannelFacts(
            crop=(crop.columns.start, crop.rows.start, *_size(crop)),
            black_adu=scale.black,
            white_adu=scale.white,
            has_wcs=shown.wcs is not None,
        )

    facts = in_threads(
        _make_one,
        zip(members, scales, strict=True),
        threads=threads,
        stop=bench.stop,
        tick=lambda: bench.progress.advance(Step.EXPORT),
    )
    return facts, [] if crop.problem is None else [crop.problem]


def _cut(stack: BegunStack, crop: CommonCrop) -> NDArray[np.float32]:
    return stack.image()[crop.rows, crop.columns]


def _size(crop: CommonCrop) -> tuple[int, int]:
    return crop.columns.stop - crop.columns.start, crop.rows.stop - crop.rows.start


def _write_fits(
    bench: Bench,
    found: Found,
    begun: BegunStack,
    files: ChannelPaths,
    image: NDArray[np.float32],
    crop: CommonCrop,
) -> None:
    measured = begun.measured.result()
    facts = product_facts(begun.recipe, measured, kind="channel")
    if facts.wcs is not None:
        wcs = cropped(facts.wcs, x=crop.columns.start, y=crop.rows.start)
        facts = replace(facts, wcs=wcs)
    provenance = stack_provenance(bench, found, begun.recipe, measured)
    write_channel(files.fits, image, facts=facts, provenance=provenance)


def _write_tiff(
    bench: Bench,
    recipe: Recipe,
    files: ChannelPaths,
    image: NDArray[np.float32],
    scale: Scale,
) -> None:
    group = recipe.group
    title = f"{group.target}, {filter_word(group)}, {len(recipe.subs)} subs"
    write_tiff(files.tif, image, scale=scale, depth=bench.settings.export.tiff, title=title)
