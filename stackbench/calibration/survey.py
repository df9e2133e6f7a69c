"""A quick look at each frame of a set before it goes into a master."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.statistics import neighbour_sigma, pair_sigma
from stackbench.frames.errors import FrameError
from stackbench.frames.robust import median
from stackbench.frames.rows import RowSource
from stackbench.frames.work import Stop, in_threads, never

# The median of this many pixels, the same ones in all frames, is good to
# 1.25 σ/√n: 0.004 % of a flat with 1 % noise.
_SAMPLE_PIXELS = 120_000
# Even and odd rows, which some chips read apart, are both seen.
_BLOCK_ROWS = 4
# The noise needs fewer pixels: σ is good to 1/√(2n).
_NOISE_PIXELS = 30_000
# So many frames make the pairs: more tell the noise no better.
_PAIRED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSurvey:
    """What a sample of rows says about one frame.

    `level_adu` is the median above the level subtracted, `noise_adu` the noise
    from pixel to pixel; both are NaN when nothing is defined.
    `saturated_share` and `undefined_share` are shares of the sampled pixels.
    `error` says why the frame could not be read or does not fit, else None;
    `passing` tells that the same file may be readable the next time.
    `noise_rows` are some of the raw rows, the same ones of all frames of a
    shape, shape (n, nx), ADU.
    """

    level_adu: float
    noise_adu: float
    saturated_share: float
    undefined_share: float
    noise_rows: NDArray[np.float32]
    error: str | None = None
    passing: bool = False


def survey_frames(
    sources: Sequence[RowSource],
    *,
    subtract: Sequence[NDArray[np.float32] | None] | None = None,
    saturation_adu: float | None = None,
    jobs: int = 1,
    stop: Stop = never,
) -> tuple[FrameSurvey, ...]:
    """Look at a sample of rows of each frame.

    Parameters
    ----------
    sources : sequence of RowSource
        The frames, raw ADU.
    subtract : sequence of ndarray or None, optional
        The level under each frame, shape (ny, nx), ADU.
    saturation_adu : float, optional
        Raw value from which a pixel counts as saturated.
    jobs : int
        Number of threads.
    stop : callable
        Asked before each frame; True ends the work.

    Returns
    -------
    tuple of FrameSurvey
        In the order of `sources`.
    """
    levels = [None] * len(sources) if subtract is None else subtract
    shape = Counter(source.shape for source in sources).most_common(1)[0][0] if sources else None

    def _survey(index: int) -> FrameSurvey:
        found, level = sources[index].shape, levels[index]
        if found != shape:
            return _failed(f"its shape (ny, nx) is {found}, that of the set {shape}")
        if level is not None and level.shape != shape:
            return _failed(f"its shape (ny, nx) is {found}, that of its dark or bias {level.shape}")
        try:
            raw = sample_rows(sources[index])
        except OSError as error:  # its set goes on without it
            passing = not isinstance(error, FrameError) or error.passing
            return _failed(f"it cannot be read: {error}", passing=passing)
        return _survey_of(raw, sample_of(level), saturation_adu)

    return tuple(in_threads(_survey, range(len(sources)), threads=jobs, stop=stop))


def pair_noise(
    surveys: Sequence[FrameSurvey],
    *,
    factors: Sequence[float] | None = None,
    weights: Sequence[float] | None = None,
    jobs: int = 1,
) -> float:
    """Return the random noise of one frame of weight 1, from pairs of a set.

    Parameters
    ----------
    surveys : sequence of FrameSurvey
        Of frames taken alike; up to four neighbouring pairs are used.
    factors : sequence of float, optional
        Brings flats of different brightness to one level first.
    weights : sequence of float, optional
        A frame's variance goes as 1/weight; equal if left out.
    jobs : int
        Number of threads.

    Returns
    -------
    float
        Median over the pairs of σ(A − B)/√2, each brought to weight 1; for a
        single frame σ from its neighbouring pixels. In ADU, times the factor.
    """
    scales = [1.0] * len(surveys) if factors is None else list(factors)
    shares = [1.0] * len(surveys) if weights is None else list(weights)
    rows = [
        survey.noise_rows * np.float32(scale)
        for survey, scale in zip(surveys[:_PAIRED], scales, strict=False)
    ]
    if len(rows) == 1:
        return neighbour_sigma(rows[0]) * math.sqrt(shares[0])

    def _noise(index: int) -> float:
        inverse = (1 / shares[index - 1] + 1 / shares[index]) / 2
        return pair_sigma(rows[index - 1], rows[index]) / math.sqrt(inverse)

    return float(np.median(in_threads(_noise, range(1, len(rows)), threads=jobs)))


def sample_rows(source: RowSource) -> NDArray[np.float32]:
    """Read rows spread evenly over a frame, enough for a good median.

    Parameters
    ----------
    source : RowSource
        The frame.

    Returns
    -------
    ndarray, shape (n, nx), float32
        The rows, in blocks of four neighbours; all of them when the frame is
        small.
    """
    blocks = sampled_blocks(source.shape)
    return np.concatenate([source.rows(start, stop) for start, stop in blocks])


def sample_of(image: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
    """Take the rows of an array that `sample_rows` reads of a frame.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32, or None
        The whole image.

    Returns
    -------
    ndarray, shape (n, nx), float32, or None
        The rows; None when there is no image.
    """
    if image is None:
        return None
    blocks = sampled_blocks((image.shape[0], image.shape[1]))
    return np.concatenate([image[start:stop] for start, stop in blocks])


def _failed(error: str, *, passing: bool = False) -> FrameSurvey:
    return FrameSurvey(
        level_adu=math.nan,
        noise_adu=math.nan,
        saturated_share=0.0,
        undefined_share=1.0,
        noise_rows=np.empty((0, 0), dtype=np.float32),
        error=error,
        passing=passing,
    )


def sampled_blocks(shape: tuple[int, int]) -> list[tuple[int, int]]:
    """Say which rows of a frame are looked at in a quick look.

    Parameters
    ----------
    shape : tuple of int
        The frame's (ny, nx).

    Returns
    -------
    list of tuple of int
        (start, stop) of blocks of rows, from the first to the last.
    """
    ny, nx = shape
    count = max(1, _SAMPLE_PIXELS // (_BLOCK_ROWS * nx))
    if count * _BLOCK_ROWS >= ny:
        return [(0, ny)]
    starts = np.linspace(0, ny - _BLOCK_ROWS, count + 2)[1:-1].astype(int)
    return [(start, start + _BLOCK_ROWS) for start in starts.tolist()]


def _survey_of(
    raw: NDArray[np.float32], level: NDArray[np.float32] | None, saturation_adu: float | None
) -> FrameSurvey:
    defined = np.isfinite(raw)
    saturated = 0.0
    if saturation_adu is not None:
        saturated = float(np.count_nonzero(raw >= np.float32(saturation_adu))) / raw.size
    signal = raw if level is None else raw - level
    noise_rows = _fewer(raw)
    return FrameSurvey(
        level_adu=median(signal),
        noise_adu=neighbour_sigma(noise_rows),
        saturated_share=saturated,
        undefined_share=1 - float(np.count_nonzero(defined)) / raw.size,
        noise_rows=noise_rows,
    )


def _fewer(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take as many of the rows as the noise needs."""
    step = max(1, rows.size // _NOISE_PIXELS)
    # an odd step sees all rows of the blocks; a copy lets go of the others
    return rows[:: step + 1 - step % 2].copy()
