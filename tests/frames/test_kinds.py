"""Kinds from headers and names. Words of headers: common practice, no source, but for the
four of the first test, which a camera maker's published keyword list defines."""

import pytest

from stackbench.frames.kinds import frame_kind, kind_of_header, kind_of_names, name_words
from stackbench.frames.records import Kind

SPELLINGS = {
    Kind.LIGHT: ["light", "LIGHT", "Light Frame", "light_frame", "object", "Science", "sci"],
    Kind.DARK: ["dark", "Dark Frame", "DARK-FRAME", "dark  frame "],
    Kind.BIAS: ["bias", "Bias Frame", "zero", "ZERO"],
    Kind.FLAT: [
        *("flat", "Flat Field", "flat_field", "Flat Frame", "domeflat", "dome flat"),
        *("skyflat", "Sky Flat", "twilight"),
    ],
    Kind.DARK_FLAT: ["darkflat", "Dark Flat", "DARK-FLAT", "flatdark", "flat_dark", "FlatDark"],
}


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("Light Frame", Kind.LIGHT),
        ("Dark Frame", Kind.DARK),
        ("Bias Frame", Kind.BIAS),
        ("Flat Field", Kind.FLAT),
    ],
)
def test_the_four_defined_frame_types(words, kind):
    assert kind_of_header({"IMAGETYP": words}) is kind


@pytest.mark.parametrize("key", ["IMAGETYP", "OBSTYPE", "IMGTYPE", "FRAME"])
@pytest.mark.parametrize(("kind", "words"), [(k, w) for k, many in SPELLINGS.items() for w in many])
def test_spellings_in_the_wild(key, kind, words):
    assert kind_of_header({key: words}) is kind


@pytest.mark.parametrize("words", ["focus", "Master Dark", "lights out", "test", "comp"])
def test_what_is_not_understood_is_unknown_even_in_a_telling_folder(words):
    assert kind_of_header({"IMAGETYP": words}) is Kind.UNKNOWN
    assert frame_kind({"IMAGETYP": words}, ["light_001", "lights"]) is Kind.UNKNOWN


def test_a_header_that_contradicts_itself_is_unknown():
    assert kind_of_header({"IMAGETYP": "dark", "OBSTYPE": "flat"}) is Kind.UNKNOWN


def test_a_header_that_says_nothing():
    assert kind_of_header({"IMAGETYP": "  ", "OBSTYPE": "none"}) is None
    assert kind_of_header({"FRAME": "FK5"}) is None
    assert kind_of_header({"FRAME": 17}) is None


def test_header_before_names():
    assert frame_kind({"IMAGETYP": "Dark Frame"}, ["light_001", "lights"]) is Kind.DARK
    assert frame_kind({}, ["a_001", "lights"]) is Kind.LIGHT
    assert frame_kind({}, ["a_001", "night"]) is Kind.UNKNOWN


@pytest.mark.parametrize(
    ("names", "kind"),
    [
        (["flat_Ha_001"], Kind.FLAT),
        (["img_001", "darks"], Kind.DARK),
        (["dark-flat_12"], Kind.DARK_FLAT),
        (["DarkFlat300s"], Kind.DARK_FLAT),
        (["FLATDARK_1"], Kind.DARK_FLAT),
        (["dark_flat_1", "flats"], Kind.DARK_FLAT),
        (["OIIIFlat7"], Kind.FLAT),
        (["x", "flats", "darks of 10 C"], Kind.UNKNOWN),
        (["dark_001", "lights"], Kind.UNKNOWN),
        (["Bias"], Kind.BIAS),
        (["zeros-3"], Kind.BIAS),
        (["M51_Light_Ha_001"], Kind.LIGHT),
        (["flattened", "darkness", "lighthouse", "unbiased"], None),
        (["001", "Dark Horse"], None),
        (["dark_nebula_001"], None),
        (["001", "night"], None),
    ],
)
def test_whole_words_in_names(names, kind):
    assert kind_of_names(names) is kind


def test_name_words():
    assert name_words("DarkFlat_300s-Ha") == ["dark", "flat", "300", "s", "ha"]
    assert name_words("OIIIFlat") == ["oiii", "flat"]
