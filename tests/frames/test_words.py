"""Numbers as people write them."""

import pytest

from stackbench.frames.words import celsius, counted, duration, seconds


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "unknown exposure"),
        (0.5, "0.5 s"),
        (90, "90 s"),
        (120, "2 min"),
        (150, "150 s"),
        (1080, "18 min"),
        (3599, "1 h 00 min"),
        (13500, "3 h 45 min"),
    ],
)
def test_a_length_of_time_is_written_in_the_unit_that_suits_it(value, text):
    assert duration(value) == text


def test_exposures_stay_in_seconds():
    assert seconds(300.0) == "300 s"
    assert seconds(None) == "unknown exposure"


def test_temperatures_have_a_true_minus_sign():
    assert celsius(-14.62) == "−14.6 °C"
    assert celsius(None) == "unknown temperature"


def test_one_is_singular():
    assert [counted(n, "frame") for n in (0, 1, 2)] == ["0 frames", "1 frame", "2 frames"]
