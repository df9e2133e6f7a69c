"""Frames that do not belong to their set."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from stackbench.calibration.dropping import warm_strays


def test_a_dark_of_another_temperature_is_left_out_with_its_reason():
    temperatures = [-10.0, -10.1, -9.9, -8.5, -10.0, None]
    reasons = warm_strays(temperatures, [None] * 6)
    assert [reason is not None for reason in reasons] == [False, False, False, True, False, False]
    assert reasons[3] == "its sensor was at −8.5 °C, that of the set at −10.0 °C, limit ±1.0 °C"


def test_earlier_reasons_stay_and_few_frames_are_not_judged():
    assert warm_strays([-10.0, -10.0, 5.0], [None] * 3) == (None, None, None)
    reasons = warm_strays([-10.0, -10.0, -10.0, -10.0, 5.0], [None, "lit", None, None, None])
    assert reasons[1] == "lit"
    assert reasons[4] is not None


@given(st.floats(-20, 20), st.floats(0.05, 0.9), st.integers(4, 30))
def test_a_sensor_that_warms_all_night_loses_no_frame(start, step, count):
    temperatures = [start + step * index for index in range(count)]
    assert warm_strays(temperatures, [None] * count) == (None,) * count


@given(st.lists(st.floats(-0.5, 0.5), min_size=4, max_size=20), st.floats(3, 30))
def test_a_regulated_sensor_loses_only_the_stray(jitter, away):
    temperatures = [-10 + one for one in jitter] + [-10 + away]
    reasons = warm_strays(temperatures, [None] * len(temperatures))
    assert reasons[:-1] == (None,) * len(jitter)
    scatter = 1.4826 * np.median(np.abs(np.array(temperatures) - np.median(temperatures)))
    assert (reasons[-1] is not None) or away < 1.5 + 5 * scatter
