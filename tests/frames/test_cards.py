"""Header cards: FITS Standard 3.0 sections 4.1 to 4.2, and what writers make of them."""

import io

import pytest
from astropy.io import fits
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.cards import HeaderEndError, read_header
from tests.support.fitsbytes import card, header


def read(*cards):
    return read_header(io.BytesIO(header(*cards)))


@pytest.mark.parametrize(
    ("line", "value"),
    [
        ("KEY     =                    T / yes", True),
        ("KEY     =                    F", False),
        ("KEY     =                   42 / n", 42),
        ("KEY     =                -1.50 / n", -1.5),
        ("KEY     =              1.5D+02 / old exponent", 150.0),
        ("KEY     =                  .5", 0.5),
        ("KEY     = 'text    '           / c", "text"),
        ("KEY     = '  leading blanks count'", "  leading blanks count"),
        ("KEY     = 'O''Neil / no comment' / c", "O'Neil / no comment"),
        ("KEY     = ''", ""),
        ("KEY     =", None),
        ("KEY     =                      / nothing", None),
        # Malformed, yet with one possible meaning:
        ("KEY     = unquoted text / c", "unquoted text"),
        ("KEY     ='no blank' / c", "no blank"),
        ("key     = 'small'", "small"),
        ("KEY     = 'never closed", "never closed"),
        ("KEY     = 1_000", "1_000"),
        ("KEY     = 'α Field'", "α Field"),
        ("KEY     = 1000000000000", 10**12),
    ],
)
def test_values(line, value):
    found = read(card(line))["KEY"]
    assert found == value
    assert type(found) is type(value)


def test_comments_and_absent_cards():
    head = read(card("GAIN", 1.9, "e-/ADU"), card("NOTE", "a/b", "why / not"))
    assert head.comment("GAIN") == "e-/ADU"
    assert head["NOTE"] == "a/b"
    assert head.comment("NOTE") == "why / not"
    assert head.comment("ABSENT") == ""
    assert head.get("ABSENT") is None
    assert "ABSENT" not in head
    assert list(head) == ["GAIN", "NOTE"]
    with pytest.raises(KeyError):
        head["ABSENT"]


def test_commentary_odd_lines_and_repeated_keywords():
    head = read(
        card("COMMENT = not a value"),
        card("HISTORY"),
        card(""),
        card("NOT A CARD AT ALL = 3"),
        card("KEY", 1),
        card("KEY", 2),
        b"\xff\xfe".ljust(80, b"\x00"),
    )
    assert dict(head) == {"KEY": 1}


def test_long_string_over_three_cards():
    head = read(
        card("OBJECT", "A very long &"),
        card("CONTINUE  'name, don''t &' / part two"),
        card("CONTINUE  'cut it' / the end"),
        card("AFTER", 1),
    )
    assert head["OBJECT"] == "A very long name, don't cut it"
    assert head.comment("OBJECT") == "the end"
    assert head["AFTER"] == 1


def test_size_is_in_whole_blocks_and_the_stream_stands_after_it():
    # 36 cards fill a block, so the END card opens a second one.
    stream = io.BytesIO(header(*(card(f"KEY{n}", n) for n in range(36))) + b"data")
    assert read_header(stream).size_bytes == 5760
    assert stream.read() == b"data"


@pytest.mark.parametrize("content", [b"", b"END", b"x" * 2880, card("KEY", 1) * 36])
def test_no_end(content):
    with pytest.raises(HeaderEndError):
        read_header(io.BytesIO(content))


def test_a_header_that_runs_on_is_given_up():
    with pytest.raises(HeaderEndError):
        read_header(io.BytesIO(b"\0" * 2880 * 3000))


values = st.one_of(
    st.booleans(),
    st.integers(-(10**17), 10**17),
    st.floats(-1e30, 1e30).map(lambda x: float(f"{x:.10G}")),
    st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60).map(str.rstrip),
)


@given(st.lists(values, min_size=1, max_size=50))
def test_headers_written_by_astropy(content):
    written = fits.Header([(f"KEY{n}", value, "why") for n, value in enumerate(content)])
    head = read_header(io.BytesIO(written.tostring().encode("ascii")))
    assert dict(head) == {f"KEY{n}": value for n, value in enumerate(content)}


@given(st.binary(max_size=400))
def test_no_bytes_break_the_reader(junk):
    block = junk[: len(junk) // 80 * 80]
    head = read_header(io.BytesIO(block + header(card("LAST", 1))))
    for key in head:
        head.comment(key)
    assert dict(head)
