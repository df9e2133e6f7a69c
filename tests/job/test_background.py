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
