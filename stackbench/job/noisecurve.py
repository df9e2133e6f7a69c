"""What each sub added: the noise of the stack of the first 1, 2, 3 … subs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from stackbench import __version__
from stackbench.frames.work import Cancelled
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.progress import Step
from stackbench.job.recipes import Ingredient, Recipe
from stackbench.job.workshop import Workshop

if TYPE_CHECKING:
    from stackbench.stacking.records import StackInput

_SIDE = 512  # px; a quarter of a million pixels tell the noise to a quarter of a per cent
_STEP = math.sqrt(2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseCurve:
    """How the noise of a stack fell with the number of its subs.

    `noise_adu` is the scatter from pixel to pixel of the weighted mean of the
    first `counts` subs in order of time, nothing rejected, measured on the
    middle `columns` × `rows` of the grid and resampled as the whole stack is.
    `typical_adu` is that of one typical sub, and `worth` how many of those the
    stack is worth by the noise and weights of its subs.
    """

    counts: tuple[int, ...]
    noise_adu: tuple[float, ...]
    typical_adu: float
    worth: float
    columns: int
    rows: int

    @property
    def gain_of_next(self) -> float:
        """Which part of the noise one more typical sub would take away.

        Returns
        -------
        float
            From 0 to 1.
        """
        return 1 - 1 / math.sqrt(1 + 1 / self.worth)

    @property
    def subs_to_halve(self) -> int:
        """How many more typical subs would halve the noise.

        Returns
        -------
        int
            Inverse variances add up: three times what is there is wanted.
        """
        return math.ceil(3 * self.worth - 1e-9)


_CURVE: TypeAdapter[NoiseCurve] = TypeAdapter(NoiseCurve)


def noise_curve(
    shop: Workshop,
    recipe: Recipe,
) -> NoiseCurve | None:
    """Measure how the noise fell, or recall it.

    Parameters
    ----------
    shop : Workshop
        The bench, the frames and their masters.
    recipe : Recipe
        What the stack is made of.

    Returns
    -------
    NoiseCurve or None
        None where the middle of the grid has no noise to measure.

    Raises
    ------
    FrameError
        If a sub cannot be read any more.
    Cancelled
        If the bench's `stop` answered True.
    """
    bench = shop.bench
    key = key_of(__version__, recipe.key)
    known = bench.store.recall("noise curve", key)
    if known is None:
        from stackbench.job.stackmaking import stack_inputs

        ordered = replace(recipe, subs=tuple(sorted(recipe.subs, key=_by_time)))
        inputs = stack_inputs(shop, ordered)
        curve = _measured(bench, inputs, recipe.grid_shape)
        record = None if curve is None else _CURVE.dump_python(curve, mode="json")
        bench.store.keep("noise curve", key, {"curve": record})
        return curve
    before = known[0]["curve"]
    return None if before is None else _CURVE.validate_python(before)


def counts_of(depth: int) -> tuple[int, ...]:
    """Choose the numbers of subs at which the noise is measured.

    Parameters
    ----------
    depth : int
        How many subs there are, at least 1.

    Returns
    -------
    tuple of int
        From 1 to `depth`, by steps of about √2.
    """
    counts = {1, depth}
    count = 1.0
    while count < depth:
        counts.add(round(count))
        count *= _STEP
    return tuple(sorted(counts))


def _measured(
    bench: Bench, inputs: "Sequence[StackInput]", grid_shape: tuple[int, int]
) -> NoiseCurve | None:
    from stackbench.rejection.methods import Method, Rejection
    from stackbench.stacking.engine import stack_subs
    from stackbench.stacking.prediction import predict_noise
    from stackbench.stars.background import measure_background

    ny, nx = (min(side, _SIDE) for side in grid_shape)
    inputs = [
        _moved(one, x=(grid_shape[1] - nx) // 2, y=(grid_shape[0] - ny) // 2) for one in inputs
    ]
    counts = counts_of(len(inputs))
    total, weight = np.zeros((ny, nx)), np.zeros((ny, nx))
    measured: dict[int, float] = {}
    bench.progress.begin(Step.STACK, len(inputs))
    for number, one in enumerate(inputs, start=1):
        if bench.stop():
            raise Cancelled
        plain = Rejection(method=Method.NONE)
        alone = stack_subs([one], grid_shape=(ny, nx), rejection=plain, jobs=bench.threads)
        defined = np.isfinite(alone.data)
        total[defined] += one.weight * alone.data[defined]
        weight[defined] += one.weight
        bench.progress.advance(Step.STACK)
        if number in counts:
            mean = np.full((ny, nx), np.nan, dtype=np.float32)
            np.divide(total, weight, out=mean, where=weight > 0, casting="same_kind")
            noise = float(np.nanmedian(measure_background(mean).noise))
            if noise > 0:
                predicted = predict_noise(inputs[:number], (ny, nx))
                measured[number] = noise * predicted.white_adu / predicted.pixel_adu
    bench.progress.end(Step.STACK)
    if not {1, len(inputs)} <= measured.keys():
        return None
    whole = predict_noise(inputs, (ny, nx))
    # a stack of few subs is smoothed by resampling otherwise than one of many
    alike = whole.pixel_adu / whole.white_adu
    sigmas = [one.noise_adu * one.scale for one in inputs]
    typical = float(np.median(sigmas))
    return NoiseCurve(
        counts=tuple(measured),
        noise_adu=tuple(noise * alike for noise in measured.values()),
        typical_adu=measured[1] * alike * typical / sigmas[0],
        worth=(typical / whole.white_adu) ** 2,
        columns=nx,
        rows=ny,
    )


def _moved(one: "StackInput", *, x: int, y: int) -> "StackInput":
    """Lay a sub on the part of the grid that begins at (x, y)."""
    shift: NDArray[np.float64] = np.array([[1, 0, -x], [0, 1, -y], [0, 0, 1]], dtype=np.float64)
    return replace(one, matrix=shift @ one.matrix)


def _by_time(one: Ingredient) -> tuple[bool, float, str]:
    time = one.frame.time
    return time is None, time.timestamp() if time is not None else 0.0, str(one.frame.path)
