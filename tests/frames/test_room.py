"""Memory that is used again: how it is lent, and to whom."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np
import pytest

from stackbench.frames.room import Room


@pytest.mark.parametrize(
    ("lend", "dtype"), [(Room.pixels, np.float32), (Room.marks, np.bool_), (Room.zeros, np.uint8)]
)
def test_the_same_memory_is_lent_again(lend, dtype):
    room = Room()
    first = lend(room, (30, 40))
    smaller = lend(room, (20, 7))
    larger = lend(room, (31, 40))
    assert (first.shape, smaller.shape, larger.shape) == ((30, 40), (20, 7), (31, 40))
    assert first.dtype == smaller.dtype == larger.dtype == dtype
    assert np.shares_memory(first, smaller)
    assert not np.shares_memory(first, larger)


def test_zeros_are_lent_as_zeros():
    assert not Room().zeros((50, 60)).any()


def test_every_thread_has_memory_of_its_own():
    room, both_hold = Room(), Barrier(2)

    def _hold(value):
        pixels = room.pixels((4, 5))
        pixels[:] = value
        both_hold.wait(10)
        return pixels.copy()

    with ThreadPoolExecutor(2) as pool:
        ones, twos = pool.map(_hold, (1, 2))
    assert (ones == 1).all()
    assert (twos == 2).all()
