"""Memory that is used again: how it is lent, and to whom."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np
import pytest

from stackbench.frames.room import Room


@pytest.mark.parametrize("dtype", [np.float32, np.bool_])
def test_the_same_memory_is_lent_again(dtype):
    room = Room()
    first = room.lend((30, 40), dtype)
    smaller = room.lend((20, 7), dtype)
    larger = room.lend((31, 40), dtype)
    assert (first.shape, smaller.shape, larger.shape) == ((30, 40), (20, 7), (31, 40))
    assert first.dtype == smaller.dtype == larger.dtype == dtype
    assert first.flags.aligned
    assert np.shares_memory(first, smaller)
    assert not np.shares_memory(first, larger)


def test_each_type_has_memory_of_its_own():
    room = Room()
    assert not np.shares_memory(room.lend((9, 9), np.float32), room.lend((9, 9), np.bool_))


def test_zeros_are_lent_as_zeros():
    assert not Room().zeros((50, 60)).any()


def test_every_thread_has_memory_of_its_own():
    room, both_hold = Room(), Barrier(2)

    def _hold(value):
        pixels = room.lend((4, 5), np.float32)
        pixels[:] = value
        both_hold.wait(10)
        return pixels.copy()

    with ThreadPoolExecutor(2) as pool:
        ones, twos = pool.map(_hold, (1, 2))
    assert (ones == 1).all()
    assert (twos == 2).all()
