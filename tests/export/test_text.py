"""Header text is spelled in ASCII before it goes into a header."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.export.text import ascii_text


@pytest.mark.parametrize(
    ("text", "spelled"),
    [
        ("plain 'text'", "plain 'text'"),
        ("Hα", "Halpha"),
        ("Ωmega", "Omegamega"),
        ("Nébuleuse", "Nebuleuse"),
        ("3.76 µm", "3.76 um"),
        ("line\nbreak\ttab\0", "line break tab "),
        ("星", "?"),
    ],
)
def test_ascii_text(text: str, spelled: str) -> None:
    assert ascii_text(text) == spelled


@settings(deadline=None)
@given(st.text())
def test_ascii_text_is_always_printable(text: str) -> None:
    assert all(" " <= character <= "~" for character in ascii_text(text))
