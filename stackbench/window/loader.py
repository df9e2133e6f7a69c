"""Pictures made in threads of their own and kept while there is room."""

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

from PySide6.QtCore import QObject, Signal, Slot

from stackbench.job.pictures import Picture
from stackbench.window.failurewords import FORESEEN, failure_words

logger = logging.getLogger(__name__)

Make = Callable[[], Picture]
_BUDGET_BYTES = 300 << 20


class PictureLoader(QObject):
    """Makes pictures on demand, the latest wish first.

    What is not wanted soon is made by one thread, so that another is free for
    the next wish.

    `ready` and `failed` come with the key that was wanted. After `clear`
    nothing comes that was wanted before.

    Parameters
    ----------
    parent : QObject, optional
        What it belongs to.
    budget_bytes : int
        How much memory pictures may take; those not seen for longest go.
    """

    ready = Signal(object)
    failed = Signal(object, str)
    _made = Signal(int, object, object)

    def __init__(self, parent: QObject | None = None, *, budget_bytes: int = _BUDGET_BYTES) -> None:
        super().__init__(parent)
        self._budget = budget_bytes
        self._kept: OrderedDict[Hashable, Picture] = OrderedDict()
        self._held = 0
        self._wishes: OrderedDict[Hashable, tuple[int, Make]] = OrderedDict()
        self._later: OrderedDict[Hashable, tuple[int, Make]] = OrderedDict()
        self._under_way: set[Hashable] = set()
        self._generation = 0
        self._changed = threading.Condition()
        self._busy = 0  # how many pictures are being made
        self._closed = False
        self._made.connect(self._keep)
        self._threads = [
            threading.Thread(
                target=self._work, kwargs={"ahead": ahead}, name="pictures", daemon=True
            )
            for ahead in (False, True)
        ]

    def get(self, key: Hashable) -> Picture | None:
        """Give a picture if it is there.

        Parameters
        ----------
        key : hashable
            What it was wanted under.

        Returns
        -------
        Picture or None
            None when it is not made yet, or no longer kept.
        """
        picture = self._kept.get(key)
        if picture is not None:
            self._kept.move_to_end(key)
        return picture

    def want(self, key: Hashable, make: Make, *, soon: bool = True) -> None:
        """Have a picture made, unless it is there or under way.

        Parameters
        ----------
        key : hashable
            What it is wanted under.
        make : callable
            Makes it, in another thread.
        soon : bool
            Before all others; otherwise after them.
        """
        if key in self._kept or key in self._under_way:
            return
        for thread in self._threads:
            if thread.ident is None:
                thread.start()
        with self._changed:
            if soon:
                self._later.pop(key, None)
                self._wishes[key] = (self._generation, make)
                self._wishes.move_to_end(key)
            elif key not in self._wishes:
                self._later.setdefault(key, (self._generation, make))
            self._changed.notify_all()

    def drop_wishes(self) -> None:
        """Forget what is wanted and not begun."""
        with self._changed:
            self._wishes.clear()
            self._later.clear()

    def clear(self) -> None:
        """Forget all pictures and wishes."""
        self._generation += 1
        self.drop_wishes()
        self._kept.clear()
        self._under_way.clear()
        self._held = 0

    def settle(self) -> None:
        """Wait for the pictures at hand; nothing else is begun while nothing is wanted."""
        with self._changed:
            self._changed.wait_for(lambda: not self._busy)

    def close(self) -> None:
        """End the threads, after what they are at."""
        self.clear()
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        for thread in self._threads:
            if thread.ident is not None:
                thread.join()

    def _work(self, *, ahead: bool) -> None:
        """Make what is wanted most, until the loader is closed."""
        while True:
            with self._changed:
                while not (self._closed or self._wishes or (ahead and self._later)):
                    self._changed.wait()
                if self._closed:
                    return
                if self._wishes:
                    key, (generation, make) = self._wishes.popitem(last=True)
                else:
                    key, (generation, make) = self._later.popitem(last=False)
                self._under_way.add(key)
                self._busy += 1
            result = self._result(make)
            with self._changed:
                self._busy -= 1
                self._changed.notify_all()
            self._made.emit(generation, key, result)

    @staticmethod
    def _result(make: Make) -> Picture | str:
        try:
            return make()
        except FORESEEN as error:
            return failure_words(error)
        except Exception as error:
            logger.exception("a picture failed")
            return failure_words(error)

    @Slot(int, object, object)
    def _keep(self, generation: int, key: Hashable, result: Picture | str) -> None:
        if generation != self._generation:
            return
        self._under_way.discard(key)
        if isinstance(result, str):
            self.failed.emit(key, result)
            return
        self._kept[key] = result
        self._held += result.grey.nbytes
        while self._held > self._budget and len(self._kept) > 1:
            _, old = self._kept.popitem(last=False)
            self._held -= old.grey.nbytes
        self.ready.emit(key)
