"""Loading beside other work."""

import sys

import pytest

from stackbench.job.warming import handing_over_soon, warm_up


def test_the_lock_is_handed_over_soon_only_for_so_long():
    before, meanwhile = sys.getswitchinterval(), []

    def read_a_broken_disk():
        with handing_over_soon():
            meanwhile.append(sys.getswitchinterval())
            raise ValueError("a broken disk")

    with pytest.raises(ValueError, match="a broken disk"):
        read_a_broken_disk()
    assert meanwhile == [pytest.approx(0.0001)]
    assert sys.getswitchinterval() == before


def test_warming_up_loads_what_the_work_on_pixels_needs():
    warm_up().join()
    assert {"stackbench.job.run", "stackbench.stars.quality", "numba"} <= set(sys.modules)
