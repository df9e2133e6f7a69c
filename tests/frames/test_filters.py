"""Filter names: spellings are common practice, no source."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.filters import filter_name, is_filter_name


@pytest.mark.parametrize(
    ("name", "spellings"),
    [
        ("L", ["L", "l", "Lum", "LUMINANCE", " luminance "]),
        ("R", ["R", "Red", "RED"]),
        ("G", ["G", "green"]),
        ("B", ["B", "Blue"]),
        ("Ha", ["Ha", "HA", "H-alpha", "H_Alpha", "halpha", "H alpha", "Hα", "H-α"]),
        ("Hb", ["Hb", "H-beta", "Hβ"]),
        ("OIII", ["OIII", "O-III", "[OIII]", "O III", "o3", "O[III]"]),
        ("SII", ["SII", "S-II", "[SII]", "s2"]),
        ("NII", ["NII", "N-II"]),
    ],
)
def test_spellings(name, spellings):
    assert {filter_name(words) for words in spellings} == {name}
    assert all(is_filter_name(words) for words in spellings)


@pytest.mark.parametrize("words", ["Clear", "r'", "g", "r", "ip", "48", "Ha 3nm", "Duo Band", "V"])
def test_unknown_names_stay_as_they_are(words):
    assert filter_name(words) == words
    assert not is_filter_name(words)


@pytest.mark.parametrize("words", [None, "", "   ", "No Filter", "empty"])
def test_no_filter(words):
    assert filter_name(words) is None


@given(st.text(max_size=30))
def test_a_name_once_translated_stays(words):
    name = filter_name(words)
    assert filter_name(name) == name
