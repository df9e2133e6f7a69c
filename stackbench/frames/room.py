"""Memory that is used again, since fresh memory costs as much as much of the work in it."""

import threading
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T", np.float32, np.bool_, np.uint8)


class Room(threading.local):
    """Arrays that each thread uses again from call to call; every thread has its own.

    The operating system clears fresh memory page by page, which takes as long
    as much of the work that is done in it.
    """

    def __init__(self) -> None:
        self._pixels = np.empty(0, dtype=np.float32)
        self._marks = np.empty(0, dtype=np.bool_)
        self._zeros = np.empty(0, dtype=np.uint8)

    def pixels(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        """Lend an array of any content.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.

        Returns
        -------
        ndarray, shape `shape`, float32
            Good until the next call.
        """
        n = shape[0] * shape[1]
        self._pixels = _enough(self._pixels, n)
        return self._pixels[:n].reshape(shape)

    def marks(self, shape: tuple[int, int]) -> NDArray[np.bool_]:
        """Lend an array of any content.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.

        Returns
        -------
        ndarray, shape `shape`, bool
            Good until the next call.
        """
        n = shape[0] * shape[1]
        self._marks = _enough(self._marks, n)
        return self._marks[:n].reshape(shape)

    def zeros(self, shape: tuple[int, int]) -> NDArray[np.uint8]:
        """Lend an array of zeros, which must hold zeros again when it is handed back.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.

        Returns
        -------
        ndarray, shape `shape`, uint8
            Good until the next call.
        """
        n = shape[0] * shape[1]
        self._zeros = _enough(self._zeros, n)
        return self._zeros[:n].reshape(shape)


def _enough(held: NDArray[T], size: int) -> NDArray[T]:
    """Keep an array that is large enough; zeros cost nothing before they are written to."""
    return held if held.size >= size else np.zeros(size, dtype=held.dtype)
