"""Choices of one instruction, against what Python and numpy choose."""

import numpy as np
import pytest
from numba.core.errors import TypingError

from stackbench.frames.compiled import compiled
from stackbench.frames.instructions import lower, upper, where


@compiled
def _chosen(one, other):
    return lower(one, other), upper(one, other), where(one == other, one, other)


@compiled
def _held(value):
    return lower(upper(value, 0), 10)


@pytest.mark.parametrize(
    "kind", [np.int32, np.int64, np.uint16, np.uint64, np.float32, np.float64], ids=str
)
def test_the_lower_and_the_higher_of_two_numbers(kind):
    least, most = (
        (-np.inf, np.inf)
        if np.issubdtype(kind, np.floating)
        else (np.iinfo(kind).min, np.iinfo(kind).max)
    )
    values = [kind(value) for value in (least, 0, 1, 2, most)]
    for one in values:
        for other in values:
            assert _chosen(one, other) == (min(one, other), max(one, other), other)


def test_plain_numbers_beside_others_of_their_type():
    assert [_held(value) for value in (-3, 0, 4, 10, 11)] == [0, 0, 4, 10, 10]


def test_of_nan_and_a_number_the_second_is_chosen():
    nan, number = np.float32(np.nan), np.float32(1)
    assert _chosen(nan, number)[:2] == (1, 1)
    assert np.isnan(_chosen(number, nan)[:2]).all()


@compiled
def _where(condition, one, other):
    return where(condition, one, other)


def test_values_of_two_types_are_refused():
    with pytest.raises(TypingError, match="two values of one type"):
        _chosen(np.float32(1), np.int64(1))
    with pytest.raises(TypingError, match="two values of one type"):
        _where(False, np.int32(1), np.int64(2**40))


def test_what_is_no_condition_and_no_number_is_refused():
    with pytest.raises(TypingError, match="a condition wanted"):
        _where(0.5, 1, 2)
    with pytest.raises(TypingError, match="numbers wanted"):
        _chosen(1j, 2j)
