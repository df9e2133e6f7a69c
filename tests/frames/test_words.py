"""Numbers as people write them."""

import pytest

from stackbench.frames.words import celsius, counted, duration, seconds, with_error


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "unknown exposure"),
        (0.5, "0.5 s"),
        (7.5, "7.5 s"),
        (90, "90 s"),
        (119.7, "2 min"),
        (566.952, "567 s"),
        (599.952, "10 min"),
        (120, "2 min"),
        (150, "150 s"),
        (630, "11 min"),  # halves up, not to the even minute
        (1080, "18 min"),
        (3599, "1 h 00 min"),
        (13500, "3 h 45 min"),
    ],
)
def test_a_length_of_time_is_written_in_the_unit_that_suits_it(value, text):
    assert duration(value) == text


def test_exposures_stay_in_seconds():
    assert seconds(300.0) == "300 s"
    assert seconds(12.5) == "12.5 s"
    assert seconds(None) == "unknown exposure"


def test_temperatures_have_a_true_minus_sign():
    assert celsius(-14.62) == "−14.6 °C"
    assert celsius(None) == "unknown temperature"


def test_one_is_singular():
    assert [counted(n, "frame") for n in (0, 1, 2)] == ["0 frames", "1 frame", "2 frames"]


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        # The first is the example of JCGM 100:2008 (GUM), section 7.2.2, from memory.
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        (1.23456, 0.0996, "1.23 ± 0.10"),
        (-3.14159, 0.0271, "−3.142 ± 0.027"),
        (1234.5, 12.3, "1234 ± 12"),
        (99871.0, 1234.0, "99871 ± 1234"),
        (0.8, 0.0, "0.8 ± 0"),
        (0.8, float("nan"), "0.8 ± nan"),
    ],
)
def test_value_and_error_end_at_the_same_decimal(value, error, text):
    assert with_error(value, error) == text


def test_a_trend_shows_its_sign():
    assert with_error(0.021, 0.0034, sign="+") == "+0.0210 ± 0.0034"
