"""Memory that is used again, since fresh memory costs as much as much of the work in it."""

import threading

import numpy as np
from numpy.typing import NDArray


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
        if self._pixels.size < n:
            self._pixels = np.empty(n, dtype=np.float32)
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
        if self._marks.size < n:
            self._marks = np.empty(n, dtype=np.bool_)
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
        if self._zeros.size < n:
            self._zeros = np.zeros(n, dtype=np.uint8)
        return self._zeros[:n].reshape(shape)
