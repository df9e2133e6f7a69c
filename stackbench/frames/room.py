"""Memory that is used again, since fresh memory costs as much as much of the work in it."""

import threading
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T", bound=np.generic)


class Room(threading.local):
    """Arrays that each thread uses again from call to call; every thread has its own.

    The operating system clears fresh memory page by page, which takes as long
    as much of the work that is done in it.
    """

    def __init__(self) -> None:
        self._bytes: dict[type[np.generic], NDArray[np.uint8]] = {}
        self._zeros = np.empty(0, dtype=np.uint8)

    def lend(self, shape: tuple[int, int], dtype: type[T]) -> NDArray[T]:
        """Lend an array of any content.

        Parameters
        ----------
        shape : tuple of int
            Rows and columns.
        dtype : type
            Of its values; each has memory of its own.

        Returns
        -------
        ndarray, shape `shape`, `dtype`
            Good until the next call with this type.
        """
        size = shape[0] * shape[1] * np.dtype(dtype).itemsize
        held = self._bytes.get(dtype)
        if held is None or held.size < size:
            held = self._bytes[dtype] = np.empty(size, dtype=np.uint8)
        return held[:size].view(dtype).reshape(shape)

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
