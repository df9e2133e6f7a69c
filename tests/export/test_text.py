"""Header text is made safe before it goes anywhere."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackbench.export.text import ascii_text, distinct_names, safe_name


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


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("M 51/α?", "M_51_alpha"),
        ("../../x", "x"),
        ("..", "unnamed"),
        ("", "unnamed"),
        (None, "unnamed"),
        ("C:\\night\\x", "C_night_x"),
        ("NUL", "NUL_"),
        ("con.fits", "con.fits_"),
        ("a...b", "a.b"),
        ("<b>x</b>", "b_x_b"),
    ],
)
def test_safe_name(text: str | None, name: str) -> None:
    assert safe_name(text) == name


@settings(deadline=None)
@given(st.text())
def test_safe_name_cannot_leave_its_folder(text: str) -> None:
    name = safe_name(text)
    assert re.fullmatch(r"[A-Za-z0-9+._\-]{1,61}", name)
    assert name not in (".", "..")
    assert not name.startswith(".")
    assert not name.endswith(".")


def test_texts_that_look_alike_on_disk_get_different_names() -> None:
    names = distinct_names(["M 51", "M_51", "m/51", None, "M 51"])
    assert set(names) == {"M 51", "M_51", "m/51", None}
    assert len({name.lower() for name in names.values()}) == 4
    assert names == distinct_names([None, "m/51", "M_51", "M 51"])
