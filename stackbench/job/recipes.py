"""What goes into each stack, and how: subs with scales, offsets and weights."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench import __version__
from stackbench.calibration.matching import CalibrationPlan
from stackbench.calibration.overscan import trimmed_shape
from stackbench.frames.groups import LightGroup
from stackbench.frames.names import safe_names, setup_label
from stackbench.frames.records import Frame, Problem
from stackbench.job.bench import Bench
from stackbench.job.judging import JudgedGroup, JudgedSub, exposure_share
from stackbench.job.keys import key_of
from stackbench.job.measuring import MeasuredSub
from stackbench.job.shelf import MasterShelf
from stackbench.review.verdicts import Decision
from stackbench.stacking.scaling import Scaling, scale_to_reference
from stackbench.stacking.weights import sub_weights


@dataclass(frozen=True, slots=True, kw_only=True)
class Ingredient:
    """One sub of a stack: pixel × scale + offset enters with a weight.

    `key` stands for all that its calibrated pixels depend on.
    `noise_adu` and `sky_adu` are those of its calibrated background.
    """

    frame: Frame
    key: str
    matrix: NDArray[np.float64]
    scale: float
    offset: float
    noise_adu: float
    sky_adu: float
    weight: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What one stack is made of; `key` stands for all that it depends on.

    `reference` is the sub whose scale and sky the stack takes on, `grid` the
    one whose pixels are the target's grid of `grid_shape` (ny, nx). Weights
    sum to 1. `cleaned` tells that cosmic rays are looked for in each sub.
    """

    key: str
    group: LightGroup
    reference: MeasuredSub
    grid: MeasuredSub
    grid_shape: tuple[int, int]
    subs: tuple[Ingredient, ...]
    cleaned: bool

    @property
    def exposure_s(self) -> float | None:
        """Total exposure of the subs.

        Returns
        -------
        float or None
            s; None when that of one sub is unknown.
        """
        exposures = [one.frame.exposure_s for one in self.subs]
        if None in exposures:
            return None
        return float(sum(one for one in exposures if one is not None))


def write_recipe(
    bench: Bench, plan: CalibrationPlan, shelf: MasterShelf, judged: JudgedGroup
) -> tuple[Recipe | None, list[Problem]]:
    """Write down what the stack of a group is made of.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    plan : CalibrationPlan
        What serves each light.
    shelf : MasterShelf
        The finished masters.
    judged : JudgedGroup
        The group.

    Returns
    -------
    tuple of Recipe or None, and list of Problem
        None when no sub is kept; problems of subs that were to be kept and
        cannot be.
    """
    problems = [_unplaced(sub) for sub in judged.subs if _wanted(sub) and not sub.kept]
    kept = [sub for sub in judged.subs if sub.kept]
    if not kept or judged.reference is None or judged.grid is None:
        return None, [*problems, nothing_kept(judged)]
    scalings = [_scaling(sub, judged.reference) for sub in kept]
    noises = [_measured(sub).measures.noise_adu for sub in kept]
    weights = sub_weights(noises, [scaling.scale for scaling in scalings])
    subs = tuple(
        Ingredient(
            frame=sub.frame,
            key=_measured(sub).key,
            matrix=_matrix(sub),
            scale=scaling.scale,
            offset=scaling.offset,
            noise_adu=noise,
            sky_adu=_measured(sub).measures.sky_adu,
            weight=float(weight),
        )
        for sub, scaling, noise, weight in zip(kept, scalings, noises, weights, strict=True)
    )
    grid_frame = judged.grid.frame
    grid_shape = trimmed_shape(grid_frame.trim_section, grid_frame.layout.shape)
    cleaned = bench.settings.calibration.cleans(len(kept))
    key = key_of(
        __version__,
        bench.settings.stacking,
        grid_shape,
        cleaned,
        judged.grid.key,
        judged.reference.key,
        [
            (
                one.key,
                shelf.serving_key(plan.servings[one.frame.path]),
                one.matrix.tolist(),
                one.scale,
                one.offset,
                one.weight,
            )
            for one in subs
        ],
    )
    recipe = Recipe(
        key=key,
        group=judged.group,
        reference=judged.reference,
        grid=judged.grid,
        grid_shape=grid_shape,
        subs=subs,
        cleaned=cleaned,
    )
    return recipe, problems


def group_names(groups: Sequence[LightGroup]) -> list[str]:
    """Name the files of groups, TARGET_SETUP_FILTER, each its own.

    Parameters
    ----------
    groups : sequence of LightGroup
        The groups.

    Returns
    -------
    list of str
        Names without ending.
    """
    texts = [f"{g.target}_{setup_label(g.setup)}_{filter_word(g)}" for g in groups]
    names = safe_names(texts)
    return [names[text] for text in texts]


def channel_names(groups: Sequence[LightGroup]) -> list[str]:
    """Name the files of channels, TARGET_FILTER where that is clear.

    Parameters
    ----------
    groups : sequence of LightGroup
        The groups.

    Returns
    -------
    list of str
        Names without ending; with the setup where two setups share a target
        and filter.
    """
    short = [f"{group.target}_{filter_word(group)}" for group in groups]
    often = Counter(short)
    texts = [
        f"{g.target}_{setup_label(g.setup)}_{filter_word(g)}" if often[text] > 1 else text
        for g, text in zip(groups, short, strict=True)
    ]
    names = safe_names(texts)
    return [names[text] for text in texts]


def filter_word(group: LightGroup) -> str:
    """Name a group's filter, also where it has none.

    Parameters
    ----------
    group : LightGroup
        The group.

    Returns
    -------
    str
        "nofilter" when the headers name none.
    """
    return group.filter or "nofilter"


def _wanted(sub: JudgedSub) -> bool:
    return sub.verdict.decision is Decision.KEEP


def _measured(sub: JudgedSub) -> MeasuredSub:
    if sub.sub is None:
        raise ValueError(f"{sub.frame.path} was not measured")
    return sub.sub


def _matrix(sub: JudgedSub) -> NDArray[np.float64]:
    if sub.placement is None or sub.placement.matrix is None:
        raise ValueError(f"{sub.frame.path} was not placed")
    return sub.placement.matrix


def _scaling(sub: JudgedSub, reference: MeasuredSub) -> Scaling:
    if sub.ratio is not None:
        ratio = sub.ratio.ratio
    else:  # no stars in common: the exposures are what is left to go by
        ratio = exposure_share(reference.frame, sub.frame) or 1.0
    return scale_to_reference(
        ratio,
        reference_sky_adu=reference.measures.sky_adu,
        sub_sky_adu=_measured(sub).measures.sky_adu,
        matrix=_matrix(sub),
    )


def _unplaced(sub: JudgedSub) -> Problem:
    failure = sub.placement.failure if sub.placement is not None else "it was not measured"
    return Problem(
        path=sub.frame.path,
        what="The sub is kept by hand but cannot be stacked",
        why=f"It has no place on the grid: {failure}.",
        remedy="Hand it back to the rules, or reject it.",
    )


def nothing_kept(judged: JudgedGroup) -> Problem:
    """Say that a group has no sub to be stacked.

    Parameters
    ----------
    judged : JudgedGroup
        The group.

    Returns
    -------
    Problem
        Alike for a group whatever its verdicts are.
    """
    group = judged.group
    return Problem(
        what=f"{group.target}, {filter_word(group)}: nothing was stacked",
        why=f"None of its {len(group.frames)} subs is kept and placed on the grid.",
        remedy="Look at the reasons for the verdicts; keep subs by hand, or loosen the limits "
        "in the settings.",
    )
