"""Many frames into one image: scaled, clipped along the depth, averaged, by bands."""

import queue
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.decoding import OpenRows
from stackbench.calibration.unstable import Steadiness
from stackbench.frames.rows import RowSource
from stackbench.frames.work import Stop, Tick, in_threads, never, quiet
from stackbench.rejection.depth import Combined, combine_depth
from stackbench.rejection.methods import Choice, Rejection, choose

# What the depth × rows of one thread may take, bytes: as many as are read at
# once, in long runs, and as many as are combined at once, near the processor.
_READ_BYTES = 32 << 20
_COMBINED_BYTES = 8 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class CombinedImage:
    """The average of many frames and what was rejected on the way.

    `data` is (ny, nx) float32, NaN where no frame is defined. `mean_kept` is
    the mean number of values per pixel behind it; `rejected_low` and
    `rejected_high` count clipped values over all pixels. `choice` is the way
    of rejecting that was used. `unstable` pixels, y × nx + x, ascending, int64,
    vary between the frames; empty when that was not asked for.
    """

    data: NDArray[np.float32]
    mean_kept: float
    rejected_low: int
    rejected_high: int
    choice: Choice
    unstable: NDArray[np.int64]

    @property
    def rejected_pixels(self) -> int:
        """The number of clipped values over all pixels.

        Returns
        -------
        int
            Low and high ones together.
        """
        return self.rejected_low + self.rejected_high


def combine_rows(
    sources: Sequence[RowSource],
    *,
    rejection: Rejection,
    factors: Sequence[float] | None = None,
    subtract: Sequence[NDArray[np.float32] | None] | None = None,
    weights: Sequence[float] | None = None,
    noise: Sequence[float] | None = None,
    steadiness: Steadiness | None = None,
    jobs: int = 1,
    band_rows: int | None = None,
    tick: Tick = quiet,
    stop: Stop = never,
) -> CombinedImage:
    """Combine frames of one shape: (value − subtract) × factor, clip, average.

    Memory is depth × band × jobs, whatever the height of the frames.

    Parameters
    ----------
    sources : sequence of RowSource
        The frames, all of one shape.
    rejection : Rejection
        How to clip along the depth; settled here for the number of frames.
    factors : sequence of float, optional
        One factor per frame, 1 if left out.
    subtract : sequence of ndarray or None, optional
        One level per frame, shape (ny, nx), ADU; the same array may serve
        several frames.
    weights : sequence of float, optional
        One weight per frame in the average, equal if left out.
    noise : sequence of float, optional
        The random noise of each frame after its factor, above 0: a clip then
        never takes the scatter along the depth for less.
    steadiness : Steadiness, optional
        What the frames should show; pixels that vary more are then listed.
    jobs : int
        Number of threads.
    band_rows : int, optional
        Rows read at a time; chosen by the depth if left out.
    tick : callable
        Called after each band, in the calling thread.
    stop : callable
        Asked before each band; True ends the work.

    Returns
    -------
    CombinedImage
        The combined frame.

    Raises
    ------
    ValueError
        If there are no frames or their shapes differ.
    Cancelled
        If `stop` answered True.
    """
    shape = _common_shape(sources)
    depth, (ny, nx) = len(sources), shape
    read_rows = band_rows or _rows_within(_READ_BYTES, depth, shape)
    part_rows = min(read_rows, _rows_within(_COMBINED_BYTES, depth, shape))
    choice = choose(rejection, depth)
    frames = _Frames(
        sources=tuple(sources),
        factors=(1.0,) * depth if factors is None else tuple(factors),
        levels=(None,) * depth if subtract is None else tuple(subtract),
        weights=None if weights is None else tuple(weights),
        noise=None if noise is None else tuple(noise),
        rejection=choice.rejection,
        steadiness=steadiness,
    )
    data = np.empty(shape, dtype=np.float32)
    cubes: queue.SimpleQueue[NDArray[np.float32]] = queue.SimpleQueue()
    for _ in range(max(1, jobs)):
        cubes.put(np.empty((depth, part_rows, nx), dtype=np.float32))

    def _combine_band(start: int) -> _Counts:
        stop_row = min(start + read_rows, ny)
        cube = cubes.get()
        try:
            return frames.combine(start, stop_row, cube, data)
        finally:
            cubes.put(cube)

    bands = in_threads(_combine_band, range(0, ny, read_rows), threads=jobs, tick=tick, stop=stop)
    return CombinedImage(
        data=data,
        mean_kept=sum(band.kept for band in bands) / data.size,
        rejected_low=sum(band.low for band in bands),
        rejected_high=sum(band.high for band in bands),
        choice=choice,
        unstable=np.concatenate([band.unstable for band in bands]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    """Values kept and rejected in some rows, and the pixels that vary too much."""

    kept: int
    low: int
    high: int
    unstable: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frames:
    """What goes into the combined image, frame by frame."""

    sources: tuple[RowSource, ...]
    factors: tuple[float, ...]
    levels: tuple[NDArray[np.float32] | None, ...]
    weights: tuple[float, ...] | None
    noise: tuple[float, ...] | None
    rejection: Rejection
    steadiness: Steadiness | None

    def combine(
        self, start: int, stop: int, cube: NDArray[np.float32], data: NDArray[np.float32]
    ) -> _Counts:
        """Combine rows start … stop − 1 into `data`, as many at a time as `cube` holds."""
        opened = [OpenRows(source, start, stop) for source in self.sources]
        depth, part_rows, nx = cube.shape
        counts = np.empty((3, part_rows * nx), dtype=np.uint16)
        kept = low = high = 0
        unstable = [np.empty(0, dtype=np.int64)]
        for first in range(start, stop, part_rows):
            last = min(first + part_rows, stop)
            part = cube.reshape(-1)[: depth * (last - first) * nx].reshape(depth, last - first, nx)
            for rows, level, factor, plane in zip(
                opened, self.levels, self.factors, part, strict=True
            ):
                rows.calibrate(first, last, subtract=level, factor=factor, out=plane)
            combined = combine_depth(
                part.reshape(depth, -1),
                rejection=self.rejection,
                weights=self.weights,
                noise=self.noise,
                into=_room(data[first:last].reshape(-1), counts),
            )
            # no overflow: a part has fewer values; in 64 bits numpy takes twice as long
            kept += int(combined.kept.sum(dtype=np.uint32))
            low += int(combined.low.sum(dtype=np.uint32))
            high += int(combined.high.sum(dtype=np.uint32))
            if self.steadiness is not None:
                found = self.steadiness.unstable(part.reshape(depth, -1))
                unstable.append(found + first * nx)
        return _Counts(kept=kept, low=low, high=high, unstable=np.concatenate(unstable))


def _room(mean: NDArray[np.float32], counts: NDArray[np.uint16]) -> Combined:
    """Let the result be written straight into the image."""
    kept, low, high = counts[:, : mean.size]
    return Combined(mean=mean, kept=kept, low=low, high=high)


def _rows_within(size: int, depth: int, shape: tuple[int, int]) -> int:
    """Return how many rows of all frames as float32 fit into so many bytes."""
    ny, nx = shape
    return max(1, min(ny, size // (4 * nx * depth)))


def _common_shape(sources: Sequence[RowSource]) -> tuple[int, int]:
    shapes = {source.shape for source in sources}
    if len(shapes) != 1:
        raise ValueError(f"frames to combine must have one shape, got {sorted(shapes)}")
    return shapes.pop()
