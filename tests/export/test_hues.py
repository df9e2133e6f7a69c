"""Filters are told apart by hue and by shape."""

from stackbench.export.hues import filter_marks

# Okabe & Ito 2008, Color Universal Design (read in a stored copy:
# rdrr.io/github/tesselle/khroma/src/data-raw/schemes_OkabeIto.R)
OKABE_ITO = {
    "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
}  # fmt: skip


def test_hues_follow_wavelength() -> None:
    marks = filter_marks(["Ha", "R", "SII", "B", "G", "OIII", "L"])
    assert list(marks) == ["L", "B", "OIII", "G", "R", "Ha", "SII"]
    assert {mark.hue for name, mark in marks.items() if name != "L"} <= OKABE_ITO
    assert len({mark.hue for mark in marks.values()}) == 7
    assert len({mark.shape for mark in marks.values()}) == 7


def test_spellings_of_one_filter_look_the_same() -> None:
    marks = filter_marks(["H-alpha", "ha", "H\u03b1", "Red", "R", "O III", "oiii"])
    assert marks["H-alpha"] == marks["ha"] == marks["H\u03b1"]
    assert marks["Red"] == marks["R"]
    assert marks["O III"] == marks["oiii"]


def test_unknown_filters_differ_by_shape_and_come_last() -> None:
    marks = filter_marks([None, "dual band", "R", "<q>"])
    assert next(iter(marks)) == "R"
    strangers = [marks[name] for name in (None, "dual band", "<q>")]
    assert len({mark.shape for mark in strangers}) == 3
    assert {mark.hue for mark in strangers} == {"var(--muted)"}
