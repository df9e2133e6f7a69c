"""What the job says about a simulated night: pixels to findings and advice."""

import numpy as np
import pytest

from tests.support.jobs import run_night
from tests.support.make_sample import FOLDER


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return run_night(FOLDER, out=tmp_path_factory.mktemp("diagnosed"))


def test_the_spoilt_subs_of_the_sample_are_explained_and_nothing_else(record):
    found = {one["cause"]: one for one in record["findings"]}
    assert set(found) == {"bump", "cloud"}
    assert found["bump"]["subs"][0].endswith("Wicker_Nebula_Ha_004.fits")
    assert found["cloud"]["subs"][0].endswith("Wicker_Nebula_L_008.fits")
    for one in found.values():
        assert one["evidence"]
        assert one["remedy"]
        assert one["confidence"] in ("certain", "likely")


def test_advice_names_each_filter_and_the_next_night(record):
    (advice,) = record["advice"]
    assert [one["filter"] for one in advice["filters"]] == ["L", "Ha", "OIII"]
    for one in advice["filters"]:
        assert one["star_snr"] > 20
        assert one["shortest_sub_s"] > 0
        # for 1.5 times the signal-to-noise ratio, which grows with the root of the time
        assert one["more_hours"] == pytest.approx(1.25 * one["exposure_s"] / 3600)
    assert any("next above 30° in the dark on" in line for line in advice["lines"])
    assert (
        "focuser position, others counted from the first: L 12000, Ha +0 steps; none in the "
        "headers of OIII" in advice["lines"]
    )


def test_the_map_of_the_field_shows_the_stars_of_the_kept_lights(record):
    (field,) = record["field_maps"]
    assert field["subs"] == 25
    widths = np.array(field["fwhm_px"], dtype=float)
    assert widths.shape == (3, 3)
    assert np.all((widths > 2.5) & (widths < 3.6))
