"""At which value a camera saturates, told from the frames themselves.

Headers do not say it, and the value differs: 65535 for a 16-bit converter,
4095 or 16383 for 12 and 14 bits, 65532 when 14 bits are shifted up, or the
full well of the pixels below the converter's ceiling. What gives it away is a
pile-up: many pixels share the highest value, or crowd just below it, although
the pixels thin out towards it.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.decoding import OpenRows
from stackbench.calibration.survey import sampled_blocks
from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import lower, upper, where
from stackbench.frames.robust import mad_sigma, median
from stackbench.frames.rows import RowSource

# The highest values of converters of 10 to 16 bits, and of those whose values
# are shifted up to fill 16 bits.
_CEILINGS = frozenset(
    ((1 << bits) - 1) << shift for bits in range(10, 17) for shift in (0, 16 - bits)
)
# Converters end at 255 or above; what ends lower was scaled, and whole ADU are too
# coarse to tell its pixels apart by.
_LEAST_TOP_ADU = 128.0
_BINS = 1 << 16
_BAND_ROWS = 64
_RUN = 256  # so many values are passed over at once when none is high
_INFINITE = np.int32(0x7F800000)  # finite float32 values have lower bits, read as an integer


@dataclass(frozen=True, slots=True, kw_only=True)
class TopValues:
    """The upper end of one frame's values.

    `highest` is the highest value, ADU, and `at_highest` the number of pixels
    that have it out of `pixels`; `beside` the largest number that share one of the values
    within 1 % below it. `plateau_start` is where a crowd just below the
    highest value begins, ADU, None when the pixels thin out towards the top.
    """

    highest: float
    at_highest: int
    beside: int
    pixels: int
    plateau_start: float | None = None

    @property
    def saturation_adu(self) -> float | None:
        """The level at which this frame saturates.

        Returns
        -------
        float or None
            ADU; None when nothing shows it.
        """
        if self.highest in _CEILINGS:
            # A known ceiling needs little evidence, the 16-bit one none.
            enough = 1 if self.highest == _BINS - 1 else 3
            if self.at_highest >= enough and self.at_highest > self.beside:
                return self.highest
        # An image of one single value says nothing.
        if max(10, 10 * self.beside) <= self.at_highest < self.pixels:
            return self.highest
        return self.plateau_start


def top_values(source: RowSource, *, sampled: bool = False) -> TopValues | None:
    """Look at the upper end of one frame's values.

    Parameters
    ----------
    source : RowSource
        A raw frame, ADU.
    sampled : bool
        Look at some of the rows only. Enough for a flat, which saturates over
        large areas; a light's few full stars need all of them.

    Returns
    -------
    TopValues or None
        None when no pixel is defined, or none is as high as a converter's end.
    """
    ny, nx = source.shape
    blocks = sampled_blocks(source.shape) if sampled else [(0, ny)]
    counts = np.zeros(_BINS, dtype=np.int64)
    step = 1.0
    highest = 0.0
    bands = [band for block in blocks for band in _bands(*block)]
    room = np.empty((_BAND_ROWS, nx), dtype=np.float32)
    for start, stop in bands:
        band = room[: stop - start]
        OpenRows(source, start, stop).calibrate(start, stop, out=band)
        bits = band.view(np.int32).reshape(-1)
        highest = max(highest, float(np.int32(_highest(bits)).view(np.float32)))
        while highest >= step * _BINS:  # beyond 16 bits: halve the resolution
            counts = np.concatenate([counts.reshape(-1, 2).sum(axis=1), np.zeros_like(counts)])
            counts = counts[:_BINS]
            step *= 2
        # What lies below can no longer matter, and counting it takes time.
        floor = np.float32(0.7 * highest).view(np.int32)
        _count(band.reshape(-1), bits, floor, np.float32(1 / step), counts)
    filled = np.flatnonzero(counts)
    if filled.size == 0 or highest < _LEAST_TOP_ADU:
        return None
    pixels = nx * sum(stop - start for start, stop in bands)
    return _top_of_counts(counts, top=int(filled[-1]), step=step, pixels=pixels)


def saturation_level(tops: Iterable[TopValues]) -> float | None:
    """Tell at which value a camera saturates from several of its frames.

    Parameters
    ----------
    tops : iterable of TopValues
        The upper ends of frames of one camera at one gain: flats and lights,
        which hold bright pixels.

    Returns
    -------
    float or None
        Pixels at or above this value, ADU, are saturated. None when no frame
        shows a sign of saturation.
    """
    known = list(tops)
    if not known:
        return None
    levels = [top.saturation_adu for top in known]
    highest = max(top.highest for top in known)
    shared = [top for top in known if top.highest == highest]
    if len(shared) >= 3:  # unsaturated frames do not end at one and the same value
        levels.append(highest)
    # A level that others of the camera's frames exceed by far was none.
    found = [level for level in levels if level is not None and level >= 0.9 * highest]
    return min(found) if found else None


def _bands(first: int, last: int) -> list[tuple[int, int]]:
    return [(start, min(start + _BAND_ROWS, last)) for start in range(first, last, _BAND_ROWS)]


def _top_of_counts(counts: NDArray[np.int64], *, top: int, step: float, pixels: int) -> TopValues:
    near = counts[max(0, top - max(8, top // 100)) : top]
    start = _plateau_start(counts[: top + 1], pixels=pixels)
    return TopValues(
        highest=top * step,
        at_highest=int(counts[top]),
        beside=int(near.max(initial=0)),
        pixels=pixels,
        plateau_start=None if start is None else start * step,
    )


def _plateau_start(counts: NDArray[np.int64], *, pixels: int) -> int | None:
    """Find where the pixels crowd below the top; None where they thin out.

    Full wells differ a little from pixel to pixel, so the crowd has a width.
    It must hold a minority of the pixels: the hump of a whole flat is no
    saturation, and a flat whose every pixel is full shows as a converter's
    ceiling or not at all.
    """
    top = counts.size - 1
    if top < 1000:  # too few values to tell a crowd by
        return None
    crowd_from, gap_from = top - top // 25, top - top // 4
    crowd = counts[crowd_from:]
    gap = int(counts[gap_from:crowd_from].sum())
    held = int(crowd.sum())
    # A star field gives a crowd of about 4 % / 21 % of the gap, or less.
    if held < 30 or held > 0.2 * pixels or held < 3 * gap:
        return None
    values = np.repeat(np.arange(crowd_from, top + 1), crowd)
    centre = median(values)
    return int(max(crowd_from, np.floor(centre - 3 * mad_sigma(values, centre))))


@compiled
def _highest(bits: NDArray[np.int32]) -> np.int32:
    """Return the highest finite value, 0 when none is above 0, all by their bits.

    The bits of floats from 0 upwards order like integers, which compare many
    at a time; those of negative ones lie below.
    """
    highest = np.int32(0)
    for i in range(bits.size):
        highest = upper(highest, where(bits[i] < _INFINITE, bits[i], np.int32(0)))
    return highest


@compiled
def _count(
    values: NDArray[np.float32],
    bits: NDArray[np.int32],
    floor: np.int32,
    scale: np.float32,
    counts: NDArray[np.int64],
) -> None:
    """Count the finite values from a floor upwards by their whole part after scaling."""
    for start in range(0, bits.size, _RUN):
        stop = lower(start + _RUN, bits.size)
        highest = np.int32(0)
        for i in range(start, stop):
            highest = upper(highest, bits[i])
        if highest < floor:
            continue
        for i in range(start, stop):
            if floor <= bits[i] < _INFINITE:
                counts[np.int64(values[i] * scale)] += 1
