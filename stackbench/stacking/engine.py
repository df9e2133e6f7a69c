"""The band engine: all subs of one group, piece by piece, into one stack.

For every piece of the grid and every sub: only the rows that the piece needs
are read and calibrated, brought onto the grid, scaled and offset; then values
are rejected along the depth and the rest is averaged with weights. Memory is
depth × piece × threads and the result, whatever the number of subs.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.room import Room
from stackbench.frames.work import Stop, in_threads, never
from stackbench.registration.placement import Placement, Rectangle, place
from stackbench.registration.resampling import resample
from stackbench.stacking.prediction import resampling_noise
from stackbench.stacking.records import Stack, StackInput
from stackbench.stacking.tiles import cut_grid

if TYPE_CHECKING:
    from stackbench.rejection.methods import Rejection

_NEARLY_EQUAL = 1.15

Told = Callable[[int, int], None]
"""Told how many pieces are done, and how many there are."""


def stack_subs(
    subs: Sequence[StackInput],
    *,
    grid_shape: tuple[int, int],
    rejection: "Rejection",
    jobs: int = 1,
    tick: Told | None = None,
    stop: Stop = never,
) -> Stack:
    """Stack subs on one grid.

    Each pixel of each sub becomes scale × pixel + offset; then values are
    rejected, and those that are left are averaged with the subs' weights. The
    result does not depend on `jobs`, to the bit.

    Parameters
    ----------
    subs : sequence of StackInput
        At least one sub; they may differ in shape.
    grid_shape : tuple of int
        The grid's (ny, nx).
    rejection : Rejection
        How outlying values are told; a method `auto` is settled by depth.
    jobs : int
        Threads at work.
    tick : callable, optional
        Told of progress, from the calling thread.
    stop : callable
        Asked between pieces whether to end.

    Returns
    -------
    Stack
        Arrays of the grid's shape.

    Raises
    ------
    ValueError
        If there is no sub or the grid is empty.
    Cancelled
        If `stop` answered True (`stackbench.frames.work`).
    """
    if not subs:
        raise ValueError("a stack needs at least one sub")
    if min(grid_shape) < 1:
        raise ValueError(f"a grid of {grid_shape} holds no pixel")
    work = _Work(subs, grid_shape, rejection)
    pieces = cut_grid(grid_shape, work.placements, jobs=jobs)
    done = 0

    def _count() -> None:
        nonlocal done
        done += 1
        if tick is not None:
            tick(done, len(pieces))

    in_threads(work.piece, pieces, threads=jobs, tick=_count, stop=stop)
    return work.result()


class _Work:
    """What the threads of one stack share: subs to read, arrays to fill."""

    def __init__(
        self, subs: Sequence[StackInput], grid_shape: tuple[int, int], rejection: "Rejection"
    ) -> None:
        from stackbench.rejection.methods import Method, choose

        self._subs = subs
        self._choice = choose(rejection, len(subs))
        self.placements = [place(sub.matrix, sub.source.shape) for sub in subs]
        weights = np.array([sub.weight for sub in subs], dtype=np.float64)
        self._spread: NDArray[np.float32] | None = None
        if self._choice.rejection.method is Method.MEDIAN:
            # of values whose noise differs widely its noise is an estimate
            weights, self._spread = np.ones_like(weights), _spread_factors(len(subs))
        self._weights = (weights / weights.mean()).astype(np.float32)
        self._noise = np.array([sub.noise_adu * sub.scale for sub in subs], dtype=np.float32)
        # Rejection is told the noise as it is from pixel to pixel on the grid.
        factors = [resampling_noise(placement, grid_shape) for placement in self.placements]
        self._expected = _evened(self._noise * np.array(factors, dtype=np.float32))
        self._data = np.empty(grid_shape, dtype=np.float32)
        self._sigma = np.empty(grid_shape, dtype=np.float32)
        self._kept, self._low, self._high = (
            np.empty(grid_shape, dtype=np.uint16) for _ in range(3)
        )
        self._cubes, self._room = Room(), Room()

    def piece(self, area: Rectangle) -> None:
        """Stack one piece and put it where it belongs."""
        ny, nx = area.shape
        cube = self._cubes.lend((len(self._subs), ny * nx), np.float32)
        complete = np.array(
            [self._fetch(k, area, cube[k].reshape(area.shape)) for k in range(len(self._subs))]
        )
        self._combine(cube, complete, area)

    def result(self) -> Stack:
        """Hand out the arrays when every piece is done."""
        return Stack(
            data=self._data, coverage=self._kept, clip_low=self._low, clip_high=self._high,
            noise=self._sigma, choice=self._choice, warnings=self._choice.warnings,
        )  # fmt: skip

    def _fetch(self, k: int, area: Rectangle, into: NDArray[np.float32]) -> bool:
        """Bring one sub's part onto the grid; tell whether it is without gaps."""
        sub = self._subs[k]
        placement: Placement = self.placements[k]
        _, complete = resample(
            sub.source, placement, area, noise_adu=sub.noise_adu, scale=sub.scale,
            offset=sub.offset, into=into, room=self._room,
        )  # fmt: skip
        return complete

    def _combine(
        self, cube: NDArray[np.float32], complete: NDArray[np.bool_], area: Rectangle
    ) -> None:
        """Reject along the depth, average, and write the piece."""
        from stackbench.rejection.depth import Combined, combine_depth
        from stackbench.stacking.propagation import make_sums, noise_of_mean

        place_in = np.s_[area.y0 : area.y1, area.x0 : area.x1]
        # Views of the images where the piece has full rows; of others, copies.
        combined = Combined(
            mean=np.ascontiguousarray(self._data[place_in]).reshape(-1),
            kept=np.ascontiguousarray(self._kept[place_in]).reshape(-1),
            low=np.ascontiguousarray(self._low[place_in]).reshape(-1),
            high=np.ascontiguousarray(self._high[place_in]).reshape(-1),
        )
        sigma = np.ascontiguousarray(self._sigma[place_in]).reshape(-1)
        # The kernel that follows the noise reads which pixels are missing, so
        # it would matter if rejection changed the cube: it does not.
        combine_depth(
            cube, rejection=self._choice.rejection, weights=self._weights,
            noise=self._expected, into=combined,
        )  # fmt: skip
        noise_of_mean(
            cube, complete, self._weights, self._noise, combined.kept, combined.low,
            combined.high, make_sums(), sigma,
        )  # fmt: skip
        if self._spread is not None:
            sigma *= self._spread[combined.kept]
        for whole, part in (
            (self._data, combined.mean),
            (self._kept, combined.kept),
            (self._low, combined.low),
            (self._high, combined.high),
            (self._sigma, sigma),
        ):
            if not np.may_share_memory(whole, part):
                whole[place_in] = part.reshape(area.shape)


def _evened(noise: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take nearly equal noise for equal: rejection has no use for the difference.

    Limits of its own for every sub take rejection twice the time.
    """
    if noise.max() > _NEARLY_EQUAL * noise.min():
        return noise
    return np.full_like(noise, np.sqrt((noise.astype(np.float64) ** 2).mean()))


def _spread_factors(depth: int) -> NDArray[np.float32]:
    """Return by how much a median of so many values scatters more than their mean."""
    from stackbench.rejection.efficiency import median_variance

    return np.sqrt([median_variance(count) for count in range(depth + 1)], dtype=np.float32)
