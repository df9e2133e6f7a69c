"""Names safe on every system. Rules of file names: common practice, no source."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.names import safe_name, safe_names, setup_label
from stackbench.frames.records import CameraSetup, Setup


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("M 51", "M_51"),
        ("M 51/α?", "M_51_α"),
        ("../../x", "x"),
        ("..\\..\\x", "x"),
        ("/etc/passwd", "etc_passwd"),
        ("C:\\x", "C_x"),
        ("CON", "CON_"),
        ("nul.fits", "nul_.fits"),
        ("com1", "com1_"),
        ("COM¹", "COM1_"),
        ("Console", "Console"),
        ("dots...", "dots"),
        (".hidden", "hidden"),
        ("-rf", "rf"),
        ("a\0b\nc", "a_b_c"),
        ("Ha+OIII", "Ha+OIII"),
        ("Sh2-155", "Sh2-155"),
        ("", "unnamed"),
        ("...", "unnamed"),
        ("///", "unnamed"),
    ],
)
def test_examples(text, name):
    assert safe_name(text) == name


@given(st.text(max_size=200), st.integers(8, 80))
def test_any_text_becomes_a_safe_name(text, most_bytes):
    name = safe_name(text, most_bytes=most_bytes)
    assert name
    assert len(name.encode()) <= max(most_bytes, len("unnamed")) + 1
    assert not set(name) & set('/\\:*?"<>|\0 \n\t')
    assert not any(ord(letter) < 32 for letter in name)
    assert ".." not in name
    assert name[0] not in ".-"
    assert name[-1] not in ". -"
    assert name.split(".")[0].upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT9"}
    assert safe_name(name, most_bytes=most_bytes + 1) == name


def test_a_long_name_is_cut_between_letters():
    assert safe_name("α" * 100, most_bytes=21) == "α" * 10


@given(st.lists(st.text(max_size=6), max_size=12))
def test_different_texts_get_different_names(texts):
    names = safe_names(texts)
    assert set(names) == set(texts)
    assert len({name.casefold() for name in names.values()}) == len(names)


def test_names_that_differ_in_case_only():
    assert safe_names(["R", "r", "R", "B"]) == {"R": "R", "r": "r-2", "B": "B"}


def test_setup_labels_are_short_stable_and_tell_setups_apart():
    camera = CameraSetup(camera="Mono 26", gain_setting=100.0, shape=(4176, 6248))
    setup = Setup(camera=camera, telescope="Refractor/80", focal_length_mm=530.0)
    label = setup_label(setup)
    assert label.startswith("530mm-bin1-gain100-")
    assert label == safe_name(label)
    assert label == setup_label(replace(setup))
    others = [
        replace(setup, telescope=None),
        replace(setup, focal_length_mm=530.2),
        replace(setup, focal_length_mm=None),
        *(
            replace(setup, camera=replace(camera, **change))
            for change in (
                {"camera": "Mono 61"},
                {"binning": (2, 2)},
                {"gain_setting": 0.0},
                {"offset_setting": 50.0},
                {"read_mode": "Low noise"},
                {"shape": (2088, 3124)},
            )
        ),
    ]
    labels = {setup_label(other) for other in (setup, *others)}
    assert len(labels) == len(others) + 1
    assert all(name == safe_name(name) and len(name) < 50 for name in labels)
    assert setup_label(replace(setup, focal_length_mm=None)).startswith("Refractor_80-bin1")
