"""Placing moments on the ribbon's line."""

import pytest

from stackbench.window.timeline import Timeline

HOUR = 3600.0


def test_a_single_night_fills_the_line():
    line = Timeline([(0.0, 300.0), (600.0, 300.0), (HOUR, 300.0)])
    assert line.place(0.0) == 0.0
    assert line.place(HOUR + 300.0) == 1.0
    assert line.place(600.0) == pytest.approx(600 / 3900)
    assert line.folds() == []


def test_the_day_between_two_nights_is_folded_away():
    day = 24 * HOUR
    line = Timeline([(0.0, HOUR), (day, HOUR)])
    ((begin, end),) = line.folds()
    assert 0.4 < begin < end < 0.6
    assert line.place(day) == end
    # a moment in the fold comes to lie at the next exposure
    assert line.place(12 * HOUR) == end


def test_a_place_is_taken_back_to_its_moment_but_not_in_a_fold():
    day = 24 * HOUR
    line = Timeline([(0.0, HOUR), (day, HOUR)])
    for moment in (0.0, 1000.0, day + 1800.0):
        assert line.moment(line.place(moment)) == pytest.approx(moment)
    ((begin, end),) = line.folds()
    assert line.moment((begin + end) / 2) is None
    assert line.moment(-0.1) is None


def test_ticks_are_full_hours_and_no_more_than_there_is_room_for():
    line = Timeline([(1000.0, 8 * HOUR)])
    ticks = line.ticks(10)
    assert 4 <= len(ticks) <= 10
    assert all(tick.time_s % HOUR == 0 for tick in ticks)
    assert Timeline([]).ticks(5) == []
