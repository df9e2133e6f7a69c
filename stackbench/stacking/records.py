"""What goes into a stack and what comes out of it."""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.rows import RowSource

if TYPE_CHECKING:
    from stackbench.rejection.methods import Choice


@dataclass(frozen=True, slots=True, kw_only=True)
class StackInput:
    """One sub and how it enters a stack.

    `source` makes its calibrated rows, `matrix` leads from it to the grid.
    Its pixels become scale × pixel + offset before anything is rejected.
    `noise_adu` is the σ of its background before that, ADU; `weight` is
    relative to the other subs'.
    """

    source: RowSource
    matrix: NDArray[np.float64]
    scale: float = 1.0
    offset: float = 0.0
    noise_adu: float
    weight: float = 1.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.scale) and self.scale > 0 and np.isfinite(self.offset)):
            raise ValueError(f"scale {self.scale} or offset {self.offset} is not usable")
        if not (np.isfinite(self.noise_adu) and self.noise_adu > 0):
            raise ValueError(f"a sub's noise is above 0, not {self.noise_adu}")
        if not (np.isfinite(self.weight) and self.weight > 0):
            raise ValueError(f"a sub's weight is above 0, not {self.weight}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """The stack of one group of subs, every array of the grid's shape.

    `data` is the weighted mean, ADU of the reference sub's scale, NaN where
    no sub is left. `coverage` counts the subs left in each pixel, `clip_low`
    and `clip_high` those rejected. `noise` is 1σ of the mean as the subs'
    background noise and weights have it, for white noise of the subs as they
    were; what resampling does to it is told by
    `stackbench.stacking.prediction`; for min-max it is an upper bound, up to half
    as much again at small depth, since the extremes take noise with them. `choice`
    names the rejection that was used; `warnings` are in words.
    """

    data: NDArray[np.float32]
    coverage: NDArray[np.uint16]
    clip_low: NDArray[np.uint16]
    clip_high: NDArray[np.uint16]
    noise: NDArray[np.float32]
    choice: "Choice"
    warnings: tuple[str, ...] = field(default=())
