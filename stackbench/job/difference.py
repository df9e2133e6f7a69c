"""What the doubtful subs of a filter do to its stack: with them less without them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.matching import CalibrationPlan
from stackbench.job.bench import Bench
from stackbench.job.judging import JudgedGroup, JudgedSub, known
from stackbench.job.keys import key_of
from stackbench.job.progress import Step
from stackbench.job.recipes import Recipe, write_recipe
from stackbench.job.shelf import MasterShelf
from stackbench.job.stacking import FinishedStack
from stackbench.job.workshop import Workshop
from stackbench.review.verdicts import Decision

if TYPE_CHECKING:
    from stackbench.export.levels import Scale

_MOST = 99.5  # per cent of the pixels whose difference is told apart by its grey


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """The two stacks of one filter that its doubtful subs make the difference of.

    `subs` are the doubtful ones: rejected, in doubt, or kept against the
    rules, and placed on the grid. `key` stands for both recipes.
    """

    key: str
    subs: tuple[Path, ...]
    with_them: Recipe
    without: Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """Noise, ADU, and FWHM, px, of a stack; None where they cannot be told."""

    noise_adu: float | None
    fwhm_px: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A stack with its doubtful subs less that without them.

    `path` is an image of the grid's shape, ADU, that lasts as long as the
    session; `scale` makes no difference the middle grey.
    """

    path: Path
    scale: "Scale"
    with_them: Quality
    without: Quality


def doubt_of(
    bench: Bench, plan: CalibrationPlan, shelf: MasterShelf, judged: JudgedGroup
) -> Doubt | None:
    """Find the doubtful subs of a group, and what it would be with and without them.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    plan : CalibrationPlan
        What serves each light.
    shelf : MasterShelf
        The finished masters.
    judged : JudgedGroup
        The group with its verdicts.

    Returns
    -------
    Doubt or None
        None when no sub is doubtful, or no other is left.
    """
    placed = [one for one in judged.subs if _decided(one, Decision.KEEP).kept]
    doubtful = {one.frame.path for one in placed if _is_doubtful(one)}
    sides = []
    for decision in (Decision.KEEP, Decision.REJECT):
        subs = tuple(
            _decided(one, decision) if one.frame.path in doubtful else one for one in judged.subs
        )
        recipe, _ = write_recipe(bench, plan, shelf, replace(judged, subs=subs))
        if recipe is None or not doubtful:
            return None
        sides.append(recipe)
    return Doubt(
        key=key_of([one.key for one in sides]),
        subs=tuple(one.frame.path for one in placed if one.frame.path in doubtful),
        with_them=sides[0],
        without=sides[1],
    )


def make_difference(
    shop: Workshop,
    doubt: Doubt,
    *,
    finished: Sequence[FinishedStack] = (),
) -> Difference:
    """Stack with and without the doubtful subs, and subtract.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    doubt : Doubt
        The two recipes.
    finished : sequence of FinishedStack
        Stacks on disk; one of either recipe is not made again.

    Returns
    -------
    Difference
        In a file of the bench's scratch folder.

    Raises
    ------
    FrameError
        If a sub cannot be read any more.
    ProductError
        If a finished stack is not whole.
    WriteError
        If the difference cannot be written.
    Cancelled
        If the bench's `stop` answered True.
    """
    bench = shop.bench
    from stackbench.export.blocks import write_hdu
    from stackbench.export.files import replacing
    from stackbench.job.stackmaking import make_stack

    on_disk = {one.recipe.key: one for one in finished}
    recipes = (doubt.with_them, doubt.without)
    to_make = [recipe for recipe in recipes if recipe.key not in on_disk]
    bench.progress.begin(Step.STACK, sum(len(recipe.subs) for recipe in to_make))
    images: list[NDArray[np.float32]] = []
    qualities: list[Quality] = []
    for recipe in recipes:
        if recipe.key in on_disk:
            image, quality = _read(on_disk[recipe.key])
        else:
            image = make_stack(shop, recipe)[0].data
            quality = _quality(bench, image)
        images.append(image)
        qualities.append(quality)
    shop.desk.release(one.frame for one in doubt.with_them.subs)
    change = images[0] - images[1]
    path = bench.scratch / f"difference-{doubt.key}.fits"
    with replacing(path) as stream:
        write_hdu(stream, image=change, cards=[])
    bench.progress.end(Step.STACK)
    return Difference(
        path=path, scale=_even_scale(change), with_them=qualities[0], without=qualities[1]
    )


def _is_doubtful(sub: JudgedSub) -> bool:
    verdict = sub.verdict
    return verdict.decision is Decision.REJECT or verdict.doubt > 0 or bool(verdict.reasons)


def _decided(sub: JudgedSub, decision: Decision) -> JudgedSub:
    return replace(sub, verdict=replace(sub.verdict, decision=decision))


def _read(stack: FinishedStack) -> tuple[NDArray[np.float32], Quality]:
    from stackbench.export.fits import read_image

    image: NDArray[np.float32] = read_image(stack.path, verify=False).image
    return image, Quality(noise_adu=stack.facts.noise_adu, fwhm_px=stack.facts.fwhm_px)


def _quality(bench: Bench, image: NDArray[np.float32]) -> Quality:
    from stackbench.stars.quality import measure_frame

    measures = measure_frame(image, options=bench.settings.stars)
    return Quality(noise_adu=known(measures.noise_adu), fwhm_px=known(measures.fwhm_px))


def _even_scale(change: NDArray[np.float32]) -> "Scale":
    from stackbench.export.levels import Scale

    sample = np.abs(change[:, :: max(1, change.size >> 20) | 1])
    sample = sample[np.isfinite(sample)]
    reach = float(np.percentile(sample, _MOST)) if sample.size else 0.0
    reach = reach if reach > 0 else 1.0
    return Scale(black=-reach, white=reach)
