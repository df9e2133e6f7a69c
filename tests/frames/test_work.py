"""Work in threads: order, errors, stopping, and how much is under way."""

import threading
import time

import pytest

from stackbench.frames.work import Cancelled, in_threads


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_results_come_in_the_order_of_the_items(threads):
    ticks = []
    results = in_threads(
        lambda n: (time.sleep(0.002 * (7 - n)), n * n)[1],
        range(7),
        threads=threads,
        tick=lambda: ticks.append(1),
    )
    assert results == [n * n for n in range(7)]
    assert len(ticks) == 7


@pytest.mark.parametrize("threads", [1, 3])
def test_an_error_comes_out_and_nothing_is_left_running(threads):
    def fail_at_three(n):
        if n == 3:
            raise ValueError("three")
        return n

    before = threading.active_count()
    with pytest.raises(ValueError, match="three"):
        in_threads(fail_at_three, range(10), threads=threads)
    assert threading.active_count() == before


@pytest.mark.parametrize("threads", [1, 3])
def test_stop_ends_it_with_cancelled(threads):
    done = []
    with pytest.raises(Cancelled):
        in_threads(done.append, range(100), threads=threads, stop=lambda: len(done) >= 5)
    assert 5 <= len(done) <= 5 + threads


def test_only_as_many_items_are_drawn_as_threads_can_take():
    drawn = []
    finished = []

    def items():
        for n in range(20):
            drawn.append(n)
            assert len(drawn) - len(finished) <= 4
            yield n

    in_threads(lambda n: (time.sleep(0.001), finished.append(n)), items(), threads=3)
    assert len(finished) == 20
