"""Observed frames that installed packages carry, through the whole job."""

import shutil
from importlib.util import find_spec
from pathlib import Path

import ccdproc
import numpy as np
import pytest
from astropy.io import fits
from astropy.nddata import CCDData

from tests.support.jobs import checksums, lights, run_night

CCDPROC = Path(ccdproc.__file__).parent / "tests" / "data"
# Found, not imported: the package brings a whole optics library with it.
MSFC = Path(find_spec("msfc_ccd").origin).parent / "_data"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("out")


@pytest.fixture(scope="module")
def record(out):
    """Run over both packages' folders as they are."""
    before = checksums(MSFC) | checksums(CCDPROC)
    # four stars are too few for the rules, but enough to see what the arithmetic does
    record = run_night(MSFC, CCDPROC, out=out, keep=("a8280271.fits",))
    assert checksums(MSFC) | checksums(CCDPROC) == before, "a raw frame was touched"
    return record


def test_frames_without_a_kind_are_unknown_and_told_of_and_never_guessed(record):
    # The science camera's headers hold neither kind, exposure nor filter.
    kinds = {Path(f["path"]).relative_to(MSFC): f["kind"] for f in record["frames"]
             if Path(f["path"]).is_relative_to(MSFC)}  # fmt: skip
    assert len(kinds) == 13
    told = {Path(p["path"]) for p in record["problems"] if p["path"] is not None}
    for path, kind in kinds.items():
        by_folder = path.parts[0] in ("darks", "dark_current")
        assert kind == ("dark" if by_folder else "unknown")
        assert (MSFC / path in told) is not by_folder
    used = {path for master in record["masters"] for path in master["frames"]}
    assert not any(Path(path).parent.name in ("led", "fe55") for path in used)


def test_every_file_is_a_frame_or_a_problem(record):
    frames = {Path(f["path"]) for f in record["frames"]}
    told = {Path(p["path"]) for p in record["problems"] if p["path"] is not None}
    files = {path for folder in (MSFC, CCDPROC) for path in folder.rglob("*.fit*")}
    assert files <= frames | told


def test_an_observatorys_frame_goes_through_overscan_and_stack(record, out):
    # Alone in its group: its stack is the frame itself. ccdproc's overscan median and
    # trim of the same frame have shape (520, 512) and median 86.
    light = lights(record)["a8280271.fits"]
    assert light["sky_adu"] == pytest.approx(86, abs=1)
    stack = next(s for s in record["stacks"] if light["path"] in s["frames"])
    image = fits.getdata(out / stack["path"])
    assert image.shape == (520, 512)
    raw = CCDData.read(CCDPROC / "a8280271.fits", unit="adu")
    level = np.median(ccdproc.trim_image(raw, fits_section=raw.header["BIASSEC"]).data)
    trimmed = ccdproc.trim_image(raw, fits_section=raw.header["TRIMSEC"]).data - level
    defined = np.isfinite(image)
    assert defined.mean() > 0.99
    np.testing.assert_allclose(image[defined], trimmed[defined], atol=1e-3)
    assert np.median(image[defined]) == 86


def test_an_amateurs_light_is_measured_but_too_empty_to_be_kept(record):
    light = lights(record)["sip-wcs.fit"]
    assert light["filter"] == "B"
    assert light["sky_adu"] == pytest.approx(
        np.median(fits.getdata(CCDPROC / "sip-wcs.fit")), rel=0.01
    )
    assert light["verdict"] == "reject"
    assert any("star count 2" in reason for reason in light["reasons"])


def test_gain_of_a_real_camera_sorted_by_folders(tmp_path):
    # Two flats and two darks of the flats' exposure, which serve photon transfer as
    # bias frames do. By quadrant numpy alone finds 2.51 to 2.55 e⁻/ADU (± 0.01) and
    # 4.19 ADU; here the whole chip counts, its blank columns included.
    for number, folder in ((4803, "flats"), (4804, "flats"), (4860, "bias"), (4861, "bias")):
        (tmp_path / "night" / folder).mkdir(parents=True, exist_ok=True)
        shutil.copy(MSFC / "led" / f"ESIS1_{number:05d}.fit.gz", tmp_path / "night" / folder)
    record = run_night(tmp_path / "night", out=tmp_path / "out")
    bias, flat = sorted(record["masters"], key=lambda master: master["kind"])
    assert bias["gain_e_per_adu"] == flat["gain_e_per_adu"] == pytest.approx(2.53, abs=0.04)
    assert bias["read_noise_e"] / bias["gain_e_per_adu"] == pytest.approx(4.19, abs=0.52)
    pair = [fits.getdata(Path(path)).astype(float) for path in bias["frames"]]
    image = fits.getdata(tmp_path / "out" / bias["path"])
    np.testing.assert_allclose(image, np.mean(pair, axis=0), rtol=1e-7)
