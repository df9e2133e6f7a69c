"""The one face that pixels show to the rest of the program: rows on demand."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray


class RowSource(Protocol):
    """An image whose rows are made when asked for; safe to share by threads."""

    @property
    def shape(self) -> tuple[int, int]:
        """The whole image's (ny, nx)."""

    def rows(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return rows start … stop − 1 as a new array the caller may change.

        Parameters
        ----------
        start, stop : int
            First row and the row after the last, 0 <= start <= stop <= ny.

        Returns
        -------
        ndarray, shape (stop - start, nx), float32
            Physical values, ADU; NaN where undefined.
        """
