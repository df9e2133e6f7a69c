"""The last few things made from files, which are likely to be wanted again."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class Recent(Generic[T]):
    """Keeps the things that were asked for last; safe to share by threads.

    Parameters
    ----------
    most : int
        How many are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[str, T] = OrderedDict()

    def get(self, key: str, make: Callable[[], T]) -> T:
        """Give a thing, made if it is not kept.

        Parameters
        ----------
        key : str
            Which thing.
        make : callable
            Makes it.

        Returns
        -------
        object
            The thing; not to be changed, since others have it too.
        """
        with self._lock:
            if key not in self._kept:
                # room is made first: old and new need not be in memory at once
                while len(self._kept) >= self._most:
                    self._kept.popitem(last=False)
                self._kept[key] = make()
            self._kept.move_to_end(key)
            return self._kept[key]

    def clear(self) -> None:
        """Let go of everything."""
        with self._lock:
            self._kept.clear()
