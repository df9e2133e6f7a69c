"""The field map shows each zone where it lies, and its elongation as it points."""

import math
from dataclasses import replace

import pytest

from stackbench.export.fieldmap import field_picture
from stackbench.export.lessons import FieldMapEntry

_MAP = FieldMapEntry(
    target="Veil of Nowhere",
    setup="cam A",
    subs=12,
    shape=(200, 400),
    fwhm_px=((2.0, 2.5), (3.0, None)),
    eccentricity=((0.5, 0.2), (0.6, None)),
    angle_deg=((0.0, 90.0), (30.0, None)),
    count=((30, 31), (32, 1)),
)


def test_the_first_row_lies_at_the_bottom() -> None:
    picture = field_picture(_MAP)
    assert picture is not None
    assert picture.width / picture.height == pytest.approx(2.0, rel=0.01)
    bottom_left, bottom_right, top_left, top_right = picture.cells
    assert bottom_left.y > top_left.y
    assert bottom_left.x < bottom_right.x
    assert (bottom_left.fwhm_px, top_left.fwhm_px, top_right.fwhm_px) == (2.0, 3.0, None)
    assert (bottom_left.shade, bottom_right.shade, top_left.shade) == (0.0, 0.5, 1.0)
    assert top_left.label == "FWHM 3.00 px, 32 stars, eccentricity 0.60 towards 30°"


def test_sticks_point_along_the_stars() -> None:
    picture = field_picture(_MAP)
    assert picture is not None
    level, upright, slanted, none = picture.cells
    assert level.dy == 0.0
    assert upright.dx == pytest.approx(0.0, abs=0.05)
    # angles turn from +x towards +y, which runs up in the picture
    assert math.degrees(math.atan2(-slanted.dy, slanted.dx)) == pytest.approx(30, abs=1)
    assert math.hypot(slanted.dx, slanted.dy) > level.dx > abs(upright.dy)
    assert (none.dx, none.dy) == (0.0, 0.0)


def test_a_level_field_is_not_made_to_look_uneven() -> None:
    picture = field_picture(replace(_MAP, fwhm_px=((3.0, 3.01), (3.0, 3.02))))
    assert picture is not None
    assert max(cell.shade for cell in picture.cells) < 0.1


def test_any_number_of_zones_is_drawn_and_none_when_nothing_is_known() -> None:
    finer = replace(
        _MAP, fwhm_px=((2.0,) * 5,) * 4, eccentricity=((0.1,) * 5,) * 4,
        angle_deg=((0.0,) * 5,) * 4, count=((9,) * 5,) * 4,
    )  # fmt: skip
    picture = field_picture(finer)
    assert picture is not None
    assert len(picture.cells) == 20
    assert field_picture(replace(_MAP, fwhm_px=((None, None), (None, None)))) is None
