"""One thing at a time in the background, and no error lost."""

import threading

import pytest

from stackbench.job.background import Background


def test_things_are_done_in_order_in_another_thread():
    done = []
    with Background() as background:
        first = background.start(lambda: done.append(threading.current_thread().name))
        second = background.start(lambda: len(done))
        assert first.done()
    assert second.result() == 1
    assert done[0].startswith("background")


def test_an_error_comes_out_at_the_next_step():
    def fail():
        raise ValueError("disk full")

    with Background() as background:
        background.start(fail)
        with pytest.raises(ValueError, match="disk full"):
            background.finish()
        background.finish()
    with pytest.raises(ValueError, match="disk full"), Background() as background:
        background.start(fail)


def test_as_many_wait_as_may():
    free = threading.Event()
    begun = []

    def start_three():
        for name in "abc":
            background.start(free.wait)
            begun.append(name)

    with Background(waiting=1) as background:
        starter = threading.Thread(target=start_three)
        starter.start()
        starter.join(0.2)  # the third has no room until the first is done
        assert begun == ["a", "b"]
        free.set()
        starter.join()
        assert begun == ["a", "b", "c"]
