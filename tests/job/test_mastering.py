"""Masters that depend on one another."""

import errno

import numpy as np
import pytest
from astropy.io import fits

from stackbench.frames.errors import damaged_packing, unreadable
from stackbench.frames.pixels import MappedRows
from stackbench.job import mastermaking
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


@pytest.fixture
def night(tmp_path):
    """Give a small night of five bias frames and five flats."""
    rng = np.random.default_rng(5)
    night = tmp_path / "night"
    night.mkdir()
    for kind, name, level in (("Bias Frame", "bias", 500), ("Flat Field", "flat", 20000)):
        for n in range(5):
            hdu = fits.PrimaryHDU(rng.poisson(level, (64, 80)).astype(np.uint16))
            hdu.header["IMAGETYP"] = kind
            hdu.header["EXPTIME"] = 0.0 if name == "bias" else 2.0
            hdu.header["FILTER"] = "L"
            hdu.writeto(night / f"{name}_{n}.fits")
    return night


@pytest.fixture
def made(monkeypatch):
    """Give the kinds of the masters that are made, as they are made."""
    kinds = []
    make = mastermaking.make_master

    def noting(shop, one):
        kinds.append(one.kind.value)
        return make(shop, one)

    monkeypatch.setattr(mastermaking, "make_master", noting)
    return kinds


def _failing(monkeypatch, name, failure):
    """Let the rows of one file fail."""
    stored_rows = MappedRows.stored_rows

    def failing(self, start, stop):
        if self._path.name == name:
            raise failure(self._path)
        return stored_rows(self, start, stop)

    monkeypatch.setattr(MappedRows, "stored_rows", failing)


def _input_output(path):
    return unreadable(path, OSError(errno.EIO, "Input/output error"))


def _damaged(path):
    return damaged_packing(path, EOFError("cut off"))


@pytest.mark.parametrize("name", ["bias_2.fits", "flat_1.fits"])
def test_a_master_that_a_passing_failure_robbed_of_a_frame_is_made_anew(
    tmp_path, night, made, name
):
    kind = name.partition("_")[0]
    whole = run_night(night, out=tmp_path / "whole")
    with pytest.MonkeyPatch.context() as patch:
        _failing(patch, name, _input_output)
        robbed = {m["kind"]: m for m in run_night(night, out=tmp_path / "out")["masters"]}
    (dropped,) = robbed[kind]["dropped"]
    assert dropped["path"].endswith(name)
    assert "Input/output error" in dropped["why"]
    made.clear()
    again = run_night(night, out=tmp_path / "out")
    # a flat is another one when its bias is
    assert made == (["bias", "flat"] if kind == "bias" else ["flat"])
    for one, other in zip(again["masters"], whole["masters"], strict=True):
        assert one["dropped"] == []
        assert one["frames"] == other["frames"]
        assert one["gain_e_per_adu"] == other["gain_e_per_adu"]
        pixels = [fits.getdata(tmp_path / out / one["path"]) for out in ("out", "whole")]
        np.testing.assert_array_equal(*pixels)
    made.clear()
    run_night(night, out=tmp_path / "out")
    assert made == []


def test_a_frame_whose_content_is_damaged_costs_its_master_no_second_making(
    tmp_path, night, made, monkeypatch
):
    _failing(monkeypatch, "bias_2.fits", _damaged)
    first = run_night(night, out=tmp_path / "out")
    made.clear()
    again = run_night(night, out=tmp_path / "out")
    assert made == []
    assert [m["dropped"] for m in again["masters"]] == [m["dropped"] for m in first["masters"]]
    assert len(again["masters"][0]["dropped"]) == 1


def test_saturation_told_without_an_unreadable_frame_is_told_anew(tmp_path, night):
    # the one flat that would show it cannot be read at first
    with fits.open(night / "flat_0.fits", mode="update") as hdus:
        hdus[0].data[10:50] = 65535
    with pytest.MonkeyPatch.context() as patch:
        _failing(patch, "flat_0.fits", _input_output)
        run_night(night, out=tmp_path / "out")
    record = run_night(night, out=tmp_path / "out")
    (dropped,) = record["masters"][1]["dropped"]
    assert dropped["why"].startswith("saturated: ")
