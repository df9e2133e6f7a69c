import numpy as np
import pytest
from numpy.testing import assert_allclose

from stackbench.stacking.weights import noise_of_weighted_mean, sub_weights


def test_weights_are_inverse_variances():
    # Gauss–Markov theorem; derivable.
    weights = sub_weights([10, 12, 20])
    assert_allclose(weights, [0.514286, 0.357143, 0.128571], atol=1e-6)
    assert (weights * [100, 103, 90]).sum() == pytest.approx(99.785714, abs=1e-6)
    assert noise_of_weighted_mean(weights, [10, 12, 20]) == pytest.approx(7.171372, abs=1e-6)
    assert noise_of_weighted_mean([1, 1, 1], [10, 12, 20]) == pytest.approx(8.459052, abs=1e-6)


def test_subs_through_thin_cloud_count_less():
    # Derivable: scaled by 1/s, a sub's variance grows by 1/s².
    scales = 1 / np.array([1.0, 0.8, 0.5])
    weights = sub_weights([10, 10, 10], scales)
    assert_allclose(weights, [0.529101, 0.338624, 0.132275], atol=1e-6)
    assert noise_of_weighted_mean(weights, 10 * scales) == pytest.approx(7.273930, abs=1e-6)
    assert noise_of_weighted_mean([1, 1, 1], 10 * scales) == pytest.approx(8.539126, abs=1e-6)


@pytest.mark.parametrize("noise", [[1, 0], [1, np.nan], [], [1, -2]])
def test_noise_must_be_above_nothing(noise):
    with pytest.raises(ValueError, match="above 0"):
        sub_weights(noise)
