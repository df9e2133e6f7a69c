"""Many frames into one image: scaled, clipped along the depth, averaged, by bands."""

import queue
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.decoding import calibrated_rows
from stackbench.frames.rows import RowSource
from stackbench.frames.work import Stop, Tick, in_threads, never, quiet
from stackbench.rejection.depth import combine_depth
from stackbench.rejection.methods import Rejection

# What the depth × band of one thread may take, bytes. Larger bands read the
# files in longer runs, smaller ones stay in the processor's cache.
_BAND_BYTES = 8 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class CombinedImage:
    """The average of many frames and what was rejected on the way.

    `data` is (ny, nx) float32, NaN where no frame is defined. `mean_kept` is
    the mean number of values per pixel behind it; `rejected_low` and
    `rejected_high` count clipped values over all pixels.
    """

    data: NDArray[np.float32]
    mean_kept: float
    rejected_low: int
    rejected_high: int

    @property
    def rejected_pixels(self) -> int:
        """The number of clipped values over all pixels.

        Returns
        -------
        int
            Low and high ones together.
        """
        return self.rejected_low + self.rejected_high


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """Counts of one band of rows."""

    kept: int
    low: int
    high: int


def combine_rows(
    sources: Sequence[RowSource],
    *,
    rejection: Rejection,
    factors: Sequence[float] | None = None,
    subtract: Sequence[NDArray[np.float32] | None] | None = None,
    weights: Sequence[float] | None = None,
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
        How to clip along the depth.
    factors : sequence of float, optional
        One factor per frame, 1 if left out.
    subtract : sequence of ndarray or None, optional
        One level per frame, shape (ny, nx), ADU; the same array may serve
        several frames.
    weights : sequence of float, optional
        One weight per frame in the average, equal if left out.
    jobs : int
        Number of threads.
    band_rows : int, optional
        Rows combined at a time; chosen by the depth if left out.
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
    rows = band_rows or max(1, min(ny, _BAND_BYTES // (4 * nx * depth)))
    scales = [1.0] * depth if factors is None else list(factors)
    levels = [None] * depth if subtract is None else list(subtract)
    weight = None if weights is None else np.asarray(weights, dtype=np.float32)
    data = np.empty(shape, dtype=np.float32)
    cubes: queue.SimpleQueue[NDArray[np.float32]] = queue.SimpleQueue()
    for _ in range(max(1, jobs)):
        cubes.put(np.empty((depth, rows * nx), dtype=np.float32))

    def _combine_band(start: int) -> _Band:
        end = min(start + rows, ny)
        cube = cubes.get()
        band = cube[:, : (end - start) * nx]
        for source, level, scale, plane in zip(sources, levels, scales, band, strict=True):
            into = plane.reshape(end - start, nx)
            calibrated_rows(source, start, end, subtract=level, factor=scale, into=into)
        combined = combine_depth(band, rejection=rejection, weights=weight)
        data[start:end] = combined.mean.reshape(end - start, nx)
        cubes.put(cube)
        return _Band(
            kept=int(combined.kept.sum()),
            low=int(combined.low.sum()),
            high=int(combined.high.sum()),
        )

    bands = in_threads(_combine_band, range(0, ny, rows), threads=jobs, tick=tick, stop=stop)
    return CombinedImage(
        data=data,
        mean_kept=sum(band.kept for band in bands) / data.size,
        rejected_low=sum(band.low for band in bands),
        rejected_high=sum(band.high for band in bands),
    )


def _common_shape(sources: Sequence[RowSource]) -> tuple[int, int]:
    shapes = {source.shape for source in sources}
    if len(shapes) != 1:
        raise ValueError(f"frames to combine must have one shape, got {sorted(shapes)}")
    return shapes.pop()
