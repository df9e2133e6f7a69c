"""How often each value occurs in an image."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_BINS = 160
_MIDDLE = (0.005, 0.995)  # the part of the pixels that sets the scale
_ROOM = 2.5  # this many widths of that part are shown on either side of it
_SAMPLES = 1 << 20
_BAND_PIXELS = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Histogram:
    """Counts of the values from `low` to `high` in equal bins.

    `below` and `above` count the defined pixels outside.
    """

    low: float
    high: float
    counts: tuple[int, ...]
    below: int = 0
    above: int = 0

    def quantile(self, share: float) -> float:
        """Tell below which value a part of the pixels lies, to half a bin.

        Parameters
        ----------
        share : float
            The part, from 0 to 1.

        Returns
        -------
        float
            The middle of a bin.
        """
        wanted = share * (self.below + sum(self.counts) + self.above) - self.below
        place = int(np.searchsorted(np.cumsum(self.counts), wanted))
        wide = (self.high - self.low) / len(self.counts)
        return self.low + (min(place, len(self.counts) - 1) + 0.5) * wide


def pixel_histogram(
    image: NDArray[np.float32], *, bins: int = _BINS, step: float = 0.0
) -> Histogram | None:
    """Count the values of all pixels.

    The range is that of 99 % of the pixels with some room around it, so that
    a few hot ones do not squeeze all others into one bin.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        The image; NaN is left out. Not modified.
    bins : int
        How many bins of equal width, at most.
    step : float
        Distance of the values that can occur, as in the mean of whole
        numbers: every bin holds as many of them. 0 for any value.

    Returns
    -------
    Histogram or None
        None when no pixel is defined.
    """
    span = _span(image)
    if span is None:
        return None
    low, high, bins = _bins_on_steps(*span, bins, step) if step > 0 else (*span, bins)
    counts = np.zeros(bins + 2, dtype=np.int64)
    rows = max(1, _BAND_PIXELS // image.shape[1])
    for start in range(0, image.shape[0], rows):
        band = image[start : start + rows]
        values = band[np.isfinite(band)].astype(np.float64)
        place = np.floor((values - low) * (bins / (high - low)))
        place[values == high] = bins - 1
        counts += np.bincount((np.clip(place, -1, bins) + 1).astype(np.int64), minlength=bins + 2)
    return Histogram(
        low=low,
        high=high,
        counts=tuple(counts[1:-1].tolist()),
        below=int(counts[0]),
        above=int(counts[-1]),
    )


def _bins_on_steps(low: float, high: float, bins: int, step: float) -> tuple[float, float, int]:
    """Let the edges of bins fall between the values that can occur."""
    first = math.floor(low / step) * step - step / 2
    steps = math.ceil((high + step / 2 - first) / step)
    together = math.ceil(steps / bins)
    bins = math.ceil(steps / together)
    return first, first + bins * together * step, bins


def _span(image: NDArray[np.float32]) -> tuple[float, float] | None:
    sample = image[:, :: max(1, image.size // _SAMPLES) | 1]
    sample = sample[np.isfinite(sample)]
    if sample.size == 0:
        return None
    low, high = (float(value) for value in np.quantile(sample, _MIDDLE))
    room = _ROOM * (high - low)
    # fmin and fmax pass over NaN
    least = max(low - room, float(np.fmin.reduce(image, axis=None)))
    most = min(high + room, float(np.fmax.reduce(image, axis=None)))
    return (least, most) if most > least else (least - 0.5, least + 0.5)
