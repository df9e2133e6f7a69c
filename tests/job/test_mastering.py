"""Masters that depend on one another."""

import numpy as np
from astropy.io import fits

from tests.support.jobs import run_night


def test_flats_are_freed_of_their_dark_flats(tmp_path):
    rng = np.random.default_rng(9)
    shape = (64, 80)
    response = 1 - 0.3 * np.linspace(0, 1, shape[1])[None, :] * np.ones((shape[0], 1))
    night = tmp_path / "night"
    night.mkdir()

    def write(name, kind, level):
        data = np.clip(rng.normal(level, 5), 0, 65535).astype(np.uint16)
        hdu = fits.PrimaryHDU(data)
        hdu.header["IMAGETYP"] = kind
        hdu.header["EXPTIME"] = 4.0
        hdu.header["FILTER"] = "L"
        hdu.writeto(night / name)

    for n in range(6):
        write(f"flat_{n}.fits", "Flat Field", 5000 + 20000 * response)
        write(f"dark_flat_{n}.fits", "dark flat", 5000 * np.ones(shape))
    record = run_night(night, out=tmp_path / "out")
    master = next(m for m in record["masters"] if m["kind"] == "flat")
    made = fits.getdata(tmp_path / "out" / master["path"])
    np.testing.assert_allclose(made, response / np.median(response), atol=0.003)


def test_the_record_names_what_could_not_be_used(tmp_path):
    night = tmp_path / "night"
    night.mkdir()
    for n in range(4):
        hdu = fits.PrimaryHDU(np.full((64, 80), 65535, np.uint16))
        hdu.header["IMAGETYP"] = "Flat Field"
        hdu.header["FILTER"] = "L"
        hdu.header["EXPTIME"] = 4.0
        hdu.writeto(night / f"flat_{n}.fits")
    first = run_night(night, out=tmp_path / "out")
    again = run_night(night, out=tmp_path / "out")
    for record in (first, again):
        assert record["masters"] == []
        assert any("No master flat" in p["what"] for p in record["problems"])
