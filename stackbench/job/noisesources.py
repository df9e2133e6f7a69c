"""Where the noise of a stack comes from: what its recipe and its masters tell."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stackbench.calibration.addednoise import influences
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.records import CalibrationSet, MasterFacts, Serving
from stackbench.export.noiseparts import NoisePartEntry
from stackbench.job.recipes import Ingredient, Recipe
from stackbench.job.shelf import MasterShelf

if TYPE_CHECKING:
    from stackbench.stacking.budget import NoiseBudget, SubNoise

_MORE = 10  # frames in a master, whose worth is told


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseSources:
    """The sources of a stack's noise.

    `growth` is the factor by which what the subs share raises its noise above
    that of the same subs, had they shared nothing; `dithering_gain` the part of
    its noise that dithering would take away.
    """

    parts: tuple[NoisePartEntry, ...]
    growth: float
    dithering_gain: float


def noise_sources(plan: CalibrationPlan, shelf: MasterShelf, recipe: Recipe) -> NoiseSources:
    """Part the noise of a stack by where it comes from.

    Parameters
    ----------
    plan : CalibrationPlan
        What serves each light and each flat.
    shelf : MasterShelf
        The masters.
    recipe : Recipe
        What goes into the stack.

    Returns
    -------
    NoiseSources
        The subs' own noise first, then the masters'; a master whose noise is
        unknown counts as free of it.
    """
    from stackbench.stacking.budget import noise_budget, sensor_overlaps

    masters = {one: finished.facts for one, finished in shelf.all()}
    numbers = {one: number for number, one in enumerate(masters)}
    subs = [_sub(plan, masters, numbers, one) for one in recipe.subs]
    overlaps = sensor_overlaps([one.matrix for one in recipe.subs], recipe.grid_shape)
    budget = noise_budget(subs, overlaps)
    own = {"subs": budget.own}
    if budget.read is not None:
        own = {"read noise": budget.read, "sky": budget.own - budget.read}
    parts = [
        NoisePartEntry(source=source, noise_adu=math.sqrt(part), share=part / budget.total)
        for source, part in own.items()
    ]
    parts += [_part(budget, numbers[one], one, masters[one]) for one in masters
              if numbers[one] in budget.masters]  # fmt: skip
    return NoiseSources(
        parts=tuple(parts), growth=budget.growth, dithering_gain=budget.gain_of_dithering
    )


def _sub(
    plan: CalibrationPlan,
    masters: Mapping[CalibrationSet, MasterFacts],
    numbers: Mapping[CalibrationSet, int],
    one: Ingredient,
) -> "SubNoise":
    from stackbench.stacking.budget import SubNoise

    serving = plan.servings[one.frame.path]
    found = influences(
        serving, masters, signal_adu=one.sky_adu, flat_servings=_under(plan, masters, serving)
    )
    bias = None if serving.bias is None else masters.get(serving.bias)
    return SubNoise(
        noise_adu=one.noise_adu,
        weight=one.weight,
        scale=one.scale,
        read_adu=None if bias is None else bias.read_noise_adu,
        pushes={numbers[m]: push * (masters[m].noise or 0.0) for m, push in found.items()},
    )


def _under(
    plan: CalibrationPlan, masters: Mapping[CalibrationSet, MasterFacts], serving: Serving
) -> list[Serving]:
    """Tell what was subtracted from the frames of a flat."""
    flat = serving.flat
    if flat is None or flat not in masters:
        return []
    used = set(masters[flat].paths)
    return [plan.servings[frame.path] for frame in flat.frames if frame.path in used]


def _part(
    budget: "NoiseBudget", number: int, one: CalibrationSet, facts: MasterFacts
) -> NoisePartEntry:
    variance, frames = budget.masters[number], len(facts.paths)
    return NoisePartEntry(
        source=one.kind.value,
        noise_adu=math.sqrt(variance),
        share=variance / budget.total,
        frames=frames,
        more=_MORE,
        gain=budget.gain_of_more(number, frames=frames, more=_MORE),
    )
