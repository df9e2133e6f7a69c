import numpy as np
import pytest

from stackbench.rejection.networks import sorting_network


def run(network, rows):
    rows = rows.copy()

    def swap(one, other):
        rows[[one, other]] = np.sort(rows[[one, other]], axis=0)

    for a, b, c, d in network.tolist():
        if a == b:
            rows[a : a + 8] = np.sort(rows[a : a + 8], axis=0)
        elif b == c:
            swap(a, b)
        else:
            swap(a, c)
            swap(b, d)
            swap(b, c)
    return rows


@pytest.mark.parametrize("depth", range(1, 17))
def test_sorts_every_column_of_zeros_and_ones(depth):
    # The 0-1 principle (Knuth, The Art of Computer Programming, vol. 3,
    # section 5.3.4, theorem Z; from memory): a network that sorts all columns
    # of zeros and ones sorts everything.
    columns = (np.arange(2**depth) >> np.arange(depth)[:, np.newaxis]) & 1
    np.testing.assert_array_equal(run(sorting_network(depth), columns), np.sort(columns, axis=0))


@pytest.mark.parametrize("depth", [17, 23, 24, 31, 32, 33, 64, 100, 200])
def test_sorts_random_columns(depth):
    columns = np.random.default_rng(depth).integers(0, 50, (depth, 400))
    np.testing.assert_array_equal(run(sorting_network(depth), columns), np.sort(columns, axis=0))


def test_depth_zero_is_refused():
    with pytest.raises(ValueError, match="at least 1"):
        sorting_network(0)
