"""Pixels that vary between like frames far more than their noise."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LEAST_FRAMES = 5
"""Fewer frames do not tell an unstable pixel from one that was hit once."""

# Warm pixels that are not hot yet have up to three times the noise of the others
# from their own current; common practice, no source.
_LIMIT = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Steadiness:
    """What frames of one set should show: their noise, ADU, and each one's level."""

    noise_adu: float
    levels_adu: NDArray[np.float32]

    def unstable(self, cube: NDArray[np.float32]) -> NDArray[np.intp]:
        """Find the pixels that vary too much.

        Parameters
        ----------
        cube : ndarray, shape (depth, n), float32
            The same pixels of all frames, ADU, at least five frames. A pixel that is
            undefined in one of them is not judged. Not modified.

        Returns
        -------
        ndarray, shape (m,), intp
            Those whose standard deviation (ddof 1), each about its frame's level and
            without the value furthest from their mean, is more than three
            times the noise: one hit of a cosmic ray makes no pixel unstable.
        """
        depth = cube.shape[0]
        # n values of variance v have a range of at least 2 √(v (n − 1) / n); looking at the
        # range first leaves a per cent of the pixels for the slower test.
        least = 2 * _LIMIT * np.sqrt((depth - 2) / (depth - 1)) * self.noise_adu
        least -= float(np.ptp(self.levels_adu))
        highest, lowest = cube[0].copy(), cube[0].copy()
        for frame in cube[1:]:
            np.maximum(highest, frame, out=highest)
            np.minimum(lowest, frame, out=lowest)
        highest -= lowest
        doubtful = np.flatnonzero(highest > np.float32(least))
        values = cube[:, doubtful] - self.levels_adu[:, np.newaxis].astype(np.float64)
        squares = (values - values.mean(axis=0)) ** 2
        # what is left of the sum of squares about the mean when the furthest value goes
        rest = squares.sum(axis=0) - squares.max(axis=0) * depth / (depth - 1)
        found: NDArray[np.intp] = doubtful[rest / (depth - 2) > (_LIMIT * self.noise_adu) ** 2]
        return found
