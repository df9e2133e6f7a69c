"""Choosing the sub that all others are registered to."""

import numpy as np
import pytest

from stackbench.registration.reference import choose_reference


def _choose(**changed):
    measures = {
        "stars": [200.0] * 5,
        "fwhm_px": [3.0] * 5,
        "eccentricity": [0.4] * 5,
        "noise_adu": [20.0] * 5,
    }
    return choose_reference(**(measures | changed))


@pytest.mark.parametrize(
    ("measure", "values"),
    [
        ("stars", [200, 150, 200, 260, 210]),
        ("fwhm_px", [3.0, 3.5, 3.1, 2.6, 2.9]),
        ("eccentricity", [0.4, 0.7, 0.5, 0.2, 0.4]),
        ("noise_adu", [20, 30, 25, 15, 19]),
    ],
)
def test_each_measure_counts(measure, values):
    assert _choose(**{measure: values}) == 3


def test_equals_give_the_first_and_unknown_is_typical():
    assert _choose() == 0
    unknown = [np.nan] * 5
    assert _choose(fwhm_px=unknown, eccentricity=unknown, noise_adu=unknown) == 0
    assert _choose(fwhm_px=[3.1, np.nan, 3.0, 3.0, 3.0], noise_adu=[20, 20, 21, 21, 21]) == 1


def test_a_sub_without_stars_is_never_chosen():
    sharp_but_empty = [2.0, 3.0, 3.0, 3.0, 3.0]
    assert _choose(stars=[0, 200, 200, 200, 200], fwhm_px=sharp_but_empty) == 1
    assert _choose(stars=[np.nan, 200, 200, 200, 200], fwhm_px=sharp_but_empty) == 1
    with pytest.raises(ValueError, match="no sub has any stars"):
        _choose(stars=[0, np.nan, 0, 0, 0])


def test_thousands_of_noise_peaks_do_not_make_a_reference():
    assert _choose(stars=[200, 9000, 200, 200, 200], noise_adu=[20, 90, 20, 20, 20]) == 0


def test_a_sub_that_points_elsewhere_is_passed_over():
    pointing = np.array([[359.999, 40], [0.001, 40], [0.0, 40.001], [0.0, 39.999], [0.9, 40.5]])
    best_but_astray = [3.0, 3.0, 3.0, 3.0, 2.0]
    assert _choose(fwhm_px=best_but_astray) == 4
    assert _choose(fwhm_px=best_but_astray, pointing_deg=pointing) == 0
    pointing[4] = np.nan
    assert _choose(fwhm_px=best_but_astray, pointing_deg=pointing) == 4
    assert _choose(fwhm_px=best_but_astray, pointing_deg=np.full((5, 2), np.nan)) == 4


def test_arrays_of_unequal_length_are_refused():
    with pytest.raises(ValueError, match="one value per sub"):
        _choose(fwhm_px=[3.0])
