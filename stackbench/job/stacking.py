"""The sixth step: stack each filter, or take the stack as an earlier run left it."""

from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from stackbench.calibration.matching import CalibrationPlan
from stackbench.export.files import product_sha256
from stackbench.export.noiseparts import NoisePartEntry
from stackbench.frames.errors import FrameError
from stackbench.frames.records import Problem
from stackbench.job.background import Background
from stackbench.job.bench import Bench
from stackbench.job.judging import JudgedGroup
from stackbench.job.keys import file_mark
from stackbench.job.progress import Step
from stackbench.job.recipes import Recipe, group_names, write_recipe
from stackbench.job.shelf import MasterShelf
from stackbench.job.workshop import Workshop

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from stackbench.stacking.records import Stack


@dataclass(frozen=True, slots=True, kw_only=True)
class StackFacts:
    """The numbers of a stack; ADU of its reference sub's scale.

    `noise_adu` is the measured scatter from pixel to pixel, which resampling lowers;
    `predicted_noise_adu` what the subs' noise, weights and resampling, and the
    masters that they share, predict of it; `white_noise_adu` the same had nothing
    been resampled, which many pixels together show, None in an older store.
    `noise_parts` tell where it comes from, `dithering_gain` which part dithering
    would take away. `cosmic_pixels` were left out of each sub, empty when none was
    looked for. `sha256` is the file's checksum.
    """

    rejection: str
    clipped_low: int
    clipped_high: int
    noise_adu: float | None
    predicted_noise_adu: float
    fwhm_px: float | None
    white_noise_adu: float | None = None
    noise_parts: tuple[NoisePartEntry, ...] = ()
    dithering_gain: float | None = None
    cosmic_pixels: tuple[int, ...] = ()
    warnings: tuple[str, ...] = ()
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedStack:
    """A stack on disk, and what it was made of."""

    path: Path
    recipe: Recipe
    facts: StackFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class BegunStack:
    """A stack that is added up, but perhaps not yet measured or written.

    `measured` are its numbers, `written` the same with the file's checksum.
    `layers` are its pixels while they are in memory, so that who needs them does
    not wait for the disk.
    """

    path: Path
    recipe: Recipe
    measured: "Future[StackFacts]"
    written: "Future[StackFacts]"
    layers: "Stack | None" = None

    def finished(self) -> FinishedStack:
        """Wait until the stack is on disk.

        Returns
        -------
        FinishedStack
            With its numbers.
        """
        return FinishedStack(path=self.path, recipe=self.recipe, facts=self.written.result())

    def image(self) -> "NDArray[np.float32]":
        """Give the stack's pixels, from the disk unless they are in memory.

        Returns
        -------
        ndarray, shape (ny, nx), float32
            ADU of the reference sub's scale; NaN where no sub is left.
        """
        return self.layers.data if self.layers is not None else self._read()

    def coverage(self) -> "NDArray[np.integer[Any]]":
        """Give how many subs are left in each pixel, from the disk unless in memory.

        Returns
        -------
        ndarray, shape (ny, nx), integer
            Counts.
        """
        return self.layers.coverage if self.layers is not None else self._read("COVERAGE")

    def _read(self, extension: str = "") -> "NDArray[Any]":
        from stackbench.export.fits import read_image

        return read_image(self.finished().path, extension=extension).image


_FACTS: TypeAdapter[StackFacts] = TypeAdapter(StackFacts)


def stack_groups(
    shop: Workshop,
    judged: Sequence[JudgedGroup],
    *,
    background: Background,
) -> tuple[tuple[BegunStack, ...], tuple[Problem, ...]]:
    """Stack the kept subs of every group.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    judged : sequence of JudgedGroup
        The groups.
    background : Background
        Measures and writes a stack while the next is added up; with room for one
        more to wait, since these are two things.

    Returns
    -------
    tuple of BegunStack, and tuple of Problem
        The stacks, the last of which may not be written yet and is in memory if
        it is new, and what kept subs or groups out of one.
    """
    bench = shop.bench
    stacks: list[BegunStack] = []
    problems: list[Problem] = []
    names = group_names([one.group for one in judged])
    bench.progress.begin(Step.STACK, sum(sub.kept for one in judged for sub in one.subs))
    for one, name in zip(judged, names, strict=True):
        recipe, left_out = write_recipe(bench, shop.plan, shop.shelf, one)
        problems += left_out
        if recipe is None:
            continue
        path = bench.out / "stacks" / f"{name}.fits"
        if stacks:
            stacks[-1] = replace(stacks[-1], layers=None)  # the next one needs the memory
        try:
            stacks.append(
                _recalled(bench, recipe, path) or _begun(shop, recipe, path, background=background)
            )
        except FrameError as error:
            problems.append(error.problem)
    bench.progress.end(Step.STACK)
    return tuple(stacks), tuple(problems)


def outdated(
    bench: Bench,
    plan: CalibrationPlan,
    shelf: MasterShelf,
    judged: Sequence[JudgedGroup],
    stacks: Sequence[FinishedStack],
) -> tuple[int, ...]:
    """List the groups whose stack is not what their verdicts ask for.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    plan : CalibrationPlan
        What serves each light.
    shelf : MasterShelf
        The finished masters.
    judged : sequence of JudgedGroup
        The groups.
    stacks : sequence of FinishedStack
        The stacks there are.

    Returns
    -------
    tuple of int
        Indices among the groups.
    """
    stale = []
    for index, group in enumerate(judged):
        recipe, _ = write_recipe(bench, plan, shelf, group)
        wanted = None if recipe is None else recipe.key
        # to compare is quick, since groups share their frames; to hash them is not
        of_group = (one for one in stacks if one.recipe.group == group.group)
        made = next((stack.recipe.key for stack in of_group), None)
        if made != wanted:
            stale.append(index)
    return tuple(stale)


def _recalled(bench: Bench, recipe: Recipe, path: Path) -> BegunStack | None:
    known = _recall(bench, recipe.key, path)
    if known is None:
        return None
    bench.progress.advance(Step.STACK, len(recipe.subs))
    facts: Future[StackFacts] = Future()
    facts.set_result(known)
    return BegunStack(path=path, recipe=recipe, measured=facts, written=facts)


def _begun(shop: Workshop, recipe: Recipe, path: Path, *, background: Background) -> BegunStack:
    from stackbench.job.noisesources import noise_sources
    from stackbench.job.stackmaking import make_stack, measure_stack, write_finished

    stack, inputs = make_stack(shop, recipe)
    # what was unpacked of these subs is not needed again
    shop.desk.release(one.frame for one in recipe.subs)
    sources = noise_sources(shop.plan, shop.shelf, recipe)
    measured = background.start(partial(measure_stack, shop, recipe, stack, inputs, sources))

    def _write() -> StackFacts:
        facts = measured.result()
        write_finished(shop, recipe, stack, path, facts, growth=sources.growth)
        facts = replace(facts, sha256=product_sha256(path))
        record = {"file": [path.name, file_mark(path)], "facts": _FACTS.dump_python(facts)}
        shop.bench.store.keep("stack", recipe.key, record)
        return facts

    written = background.start(_write)
    return BegunStack(path=path, recipe=recipe, measured=measured, written=written, layers=stack)


def _recall(bench: Bench, key: str, path: Path) -> StackFacts | None:
    known = bench.store.recall("stack", key)
    if known is None or known[0]["file"] != [path.name, file_mark(path)]:
        return None
    return _FACTS.validate_python(known[0]["facts"])
