"""What to do next, in the words of a whole job."""

import numpy as np
import pytest
from astropy.io import fits

from stackbench.job.settings import settings_of
from tests.support.jobs import run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

SMALL = {"filters": ("L", "Ha"), "lights": 5, "flats": 4, "bias": 4, "darks": 4}
PLACE = {"latitude_deg": 34.5, "longitude_deg": -41.25}


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Simulate a night whose headers do not tell the place."""
    folder = tmp_path_factory.mktemp("night")
    simulate_night(folder, rng=np.random.default_rng(31), night=plan_small_night(**SMALL))
    for path in folder.rglob("*.fit*"):
        with fits.open(path, mode="update") as hdus:
            for key in ("SITELAT", "SITELONG", "SITEELEV"):
                hdus[0].header.remove(key, ignore_missing=True)
    return folder


def lines_of(record):
    (advice,) = record["advice"]
    return advice, "\n".join(advice["lines"])


def test_without_a_place_it_is_asked_for_and_with_one_the_next_chance_is_told(night, tmp_path):
    advice, lines = lines_of(run_night(night, out=tmp_path / "out"))
    assert "no header says where the telescope stands" in lines
    assert "next above 30° in the dark on" not in lines
    assert advice["gain"] == 1.5
    settings = settings_of({"planning": PLACE | {"gain": 2}})
    record = run_night(night, out=tmp_path / "out", settings=settings)
    advice, lines = lines_of(record)
    assert "next above 30° in the dark on 2031-11-" in lines
    assert "no header says" not in lines
    assert all(one["altitude_deg"] is not None for one in record["frames"] if one["fwhm_px"])
    for one in advice["filters"]:
        # noise falls with the square root of the time
        assert one["more_hours"] == pytest.approx(3 * one["exposure_s"] / 3600)
        assert "S/N 2 times better" in one["lines"][0]
        assert one["star_snr"] > 0
        assert one["shortest_sub_s"] > 0
    balances = sorted(one["balance_hours"] for one in advice["filters"])
    assert balances[0] == 0
    assert balances[1] > 0


def test_missing_calibration_is_told_once_with_its_filters(night, tmp_path):
    lights = tmp_path / "lights"
    lights.mkdir()
    for path in night.rglob("*.fit*"):
        if fits.getheader(path)["IMAGETYP"] == "Light Frame":
            (lights / path.name).write_bytes(path.read_bytes())
    advice, lines = lines_of(run_night(lights, out=tmp_path / "out"))
    assert lines.count("take darks of") == 1
    assert lines.count("take flats through this filter") == 1
    assert "gain and read noise of the camera are not known" in lines
    assert {one["filter"] for one in advice["filters"]} == {"L", "Ha"}
    assert all(one["star_snr"] is None for one in advice["filters"])
