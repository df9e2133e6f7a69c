"""Section strings, against ccdproc and worked examples."""

import numpy as np
import pytest
from astropy.nddata import CCDData
from ccdproc import trim_image
from hypothesis import given
from hypothesis import strategies as st

from stackbench.frames.sections import section_slices


def test_worked_example_and_ccdproc():
    # Counted from 1, both ends included, x first: custom of observatories (BIASSEC and
    # the like in https://cfht.hawaii.edu/~veillet/fitsdic.html), as
    # ccdproc.slice_from_string(fits_convention=True) reads it.
    data = 20 * np.arange(12)[:, None] + np.arange(20)
    part = data[section_slices("[3:18,2:11]", data.shape)]
    assert part.shape == (10, 16)
    assert part[0, 0] == 22
    assert part[-1, -1] == 217
    trimmed = trim_image(CCDData(data, unit="adu"), fits_section="[3:18,2:11]")
    np.testing.assert_array_equal(part, trimmed.data)


@pytest.mark.parametrize(
    ("section", "rows", "columns"),
    [
        ("[  17: 528,   1: 520]", slice(0, 520), slice(16, 528)),  # an observatory's blanks
        (" [   4:  13,   1: 520] ", slice(0, 520), slice(3, 13)),
        ("[4:13]", slice(0, 520), slice(3, 13)),
        ("[1:536, :]", slice(0, 520), slice(0, 536)),
        ("[*,2:2]", slice(1, 2), slice(0, 536)),
    ],
)
def test_forms_in_the_wild(section, rows, columns):
    assert section_slices(section, (520, 536)) == (rows, columns)


@pytest.mark.parametrize(
    "section",
    [
        *("", "[]", "[1:3", "1:3,1:3", "[0:3,1:3]", "[3:1,1:3]", "[1:21,1:3]", "[1:3,1:13]"),
        *("[1:3,1:3,1:3]", "[a:b,1:3]", "[1,1:3]", "[-1:3,1:3]", "[0:0,0:0]"),
    ],
)
def test_what_makes_no_sense_is_refused(section):
    with pytest.raises(ValueError, match="section"):
        section_slices(section, (12, 20))


@given(st.integers(1, 20), st.integers(1, 20), st.integers(1, 12), st.integers(1, 12))
def test_any_section_has_the_size_it_says(x1, x2, y1, y2):
    x1, x2 = sorted((x1, x2))
    y1, y2 = sorted((y1, y2))
    data = np.zeros((12, 20))[section_slices(f"[{x1}:{x2},{y1}:{y2}]", (12, 20))]
    assert data.shape == (y2 - y1 + 1, x2 - x1 + 1)
