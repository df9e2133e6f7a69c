"""Standard deviations certified by NIST, through the numbers that are told of an image."""

import json
from pathlib import Path

import numpy as np
import pytest

from stackbench.calibration.statistics import clipped_sigma, pair_sigma
from stackbench.frames.robust import median

# NIST StRD, univariate summary statistics: certified mean and standard deviation
# (ddof 1); read in several public copies.
NIST = json.loads(
    (Path(__file__).parents[1] / "rejection" / "nist_univariate.json").read_text("utf-8")
)


@pytest.mark.parametrize("name", ["lew", "lottery", "mavro", "michelso"])
def test_certified_standard_deviations(name):
    # None of them holds a value over 5 σ from the median, so that no clip interferes.
    values = np.array(NIST["data"][name])
    _, certified = NIST["certified"][name]
    assert clipped_sigma(values) == pytest.approx(certified, rel=1e-9)


@pytest.mark.parametrize(("base", "digits"), [(1.0, 12), (1e6, 9), (1e7, 8)])
def test_digits_are_kept_on_a_high_level(base, digits):
    # NIST StRD NumAcc2, 3, 4: base + 0.2, then 500 × (base + 0.1, base + 0.3), of
    # standard deviation 0.1. The float64 numbers themselves carry no more digits; a
    # sum of squares in one pass would give 0, and float32 1.0005 for the last.
    values = np.array([base + 0.2] + [base + 0.1, base + 0.3] * 500)
    assert clipped_sigma(values) == pytest.approx(0.1, rel=10.0**-digits)
    assert median(values.astype(np.float32)) == np.median(values.astype(np.float32))


def test_a_pair_difference_of_known_standard_deviation():
    # Michelso again, as the difference of two frames: σ(F1 − F2)/√2.
    values = np.array(NIST["data"]["michelso"])
    _, certified = NIST["certified"]["michelso"]
    first = np.repeat(values[None, :], 2, axis=0) * 1e4
    found = pair_sigma(first.astype(np.float32), np.zeros_like(first, dtype=np.float32))
    # 200 values instead of 100 change the ddof's factor
    expected = certified * 1e4 * np.sqrt(99 / 100 * 200 / 199) / np.sqrt(2)
    assert found == pytest.approx(expected, rel=1e-6)
