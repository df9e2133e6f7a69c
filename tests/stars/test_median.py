"""The compiled median against numpy's."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.stars.median import median_in_place


@settings(deadline=None)  # the first example compiles
@given(st.lists(st.integers(-50, 50), min_size=1, max_size=60), st.integers(0, 5))
def test_agrees_with_numpy(values: list[int], beyond: int):
    array = np.array(values + [10**6] * beyond, dtype=np.float32)
    assert median_in_place(array, len(values)) == np.median(values)
