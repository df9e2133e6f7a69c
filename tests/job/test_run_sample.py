"""The main job on the sample night, against what is true of it.

The sample is simulated: its truth comes from making it again from its seed.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from stackbench.registration.transforms import apply
from tests.support.jobs import checksums, lights, run_night
from tests.support.make_sample import FOLDER, make_sample

FILTERS = ("L", "Ha", "OIII")
SPOILT = {
    "Wicker_Nebula_L_008.fits": "transparency",
    "Wicker_Nebula_Ha_004.fits": "eccentricity",
    "Wicker_Nebula_OIII_007.fit": "FWHM",
}


@pytest.fixture(scope="module")
def truth(tmp_path_factory):
    return make_sample(tmp_path_factory.mktemp("sample"))


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("out")


@pytest.fixture(scope="module")
def record(out):
    before = checksums(FOLDER)
    record = run_night(FOLDER, out=out)
    assert checksums(FOLDER) == before, "a raw frame was touched"
    return record


def stack_of(record, filter_name):
    return next(s for s in record["stacks"] if s["filter"] == filter_name)


def truth_of(truth, name):
    return next(f.light for f in truth.frames if f.light is not None and f.path.name == name)


def read(out, product):
    with fits.open(out / product, memmap=False) as hdus:
        return {hdu.name: np.asarray(hdu.data) for hdu in hdus}


def test_the_spoilt_subs_and_no_others_are_rejected_for_the_right_reason(record):
    rejected = {name: f for name, f in lights(record).items() if f["verdict"] == "reject"}
    assert set(rejected) == set(SPOILT)
    for name, measure in SPOILT.items():
        assert any(measure in reason for reason in rejected[name]["reasons"])
        assert rejected[name]["by"] == "rule"


def test_every_transform_is_right_to_a_tenth_of_a_pixel_anywhere(record, truth):
    subs = lights(record)
    reference = next(f for f in subs.values() if f["is_reference"])
    from_sky = np.linalg.inv(truth_of(truth, Path(reference["path"]).name).to_grid)
    corners = np.array([[0, 0], [359, 0], [0, 271], [359, 271], [180, 136]], dtype=float)
    for name, sub in subs.items():
        if name in ("Wicker_Nebula_Ha_004.fits", "Wicker_Nebula_OIII_007.fit"):
            continue  # trailed and defocused: rejected, and their centroids are worse
        true = from_sky @ truth_of(truth, name).to_grid
        error = apply(np.array(sub["to_grid"]), corners) - apply(true, corners)
        assert np.hypot(*error.T).max() < 0.1, name


def test_fwhm_eccentricity_and_transparency_agree_with_the_truth(record, truth):
    subs = lights(record)
    for name, sub in subs.items():
        true = truth_of(truth, name)
        assert true.recorded is not None
        if name == "Wicker_Nebula_OIII_007.fit":
            assert sub["fwhm_px"] > 1.5 * subs["Wicker_Nebula_OIII_006.fit"]["fwhm_px"]
        elif name == "Wicker_Nebula_Ha_004.fits":
            assert sub["eccentricity"] == pytest.approx(
                np.sqrt(1 - true.recorded.axis_ratio**2), abs=0.05
            )
        else:
            # faint narrow-band subs have a few dozen stars
            assert sub["fwhm_px"] == pytest.approx(true.recorded.fwhm_px, rel=0.05), name
    for filter_name in FILTERS:
        one = [f for f in subs.values() if f["filter"] == filter_name]
        # the defocused sub loses light out of any aperture
        one = [f for f in one if Path(f["path"]).name != "Wicker_Nebula_OIII_007.fit"]
        relative = [f["transparency"] for f in one]
        true = [truth_of(truth, Path(f["path"]).name).transparency for f in one]
        ratio = np.array(relative) / np.array(true)
        assert ratio / np.median(ratio) == pytest.approx(np.ones(len(one)), abs=0.04)


def moved_mask(mask, matrix, shape):
    """Take the marked pixels of a sub to the grid, each to the nearest pixel."""
    rows, columns = np.nonzero(mask)
    on_grid = apply(np.array(matrix), np.column_stack([columns, rows]).astype(float))
    x, y = np.rint(on_grid).astype(int).T
    ny, nx = shape
    inside = (x >= 0) & (x < nx) & (y >= 0) & (y < ny)
    moved = np.zeros(shape, dtype=bool)
    moved[y[inside], x[inside]] = True
    return moved


def test_no_pixel_of_the_satellite_trail_stands_out(record, truth, out, tmp_path):
    # against the stack without that sub: stars are the same in both
    stack = stack_of(record, "L")
    assert len(stack["frames"]) >= 8
    sub = lights(record)["Wicker_Nebula_L_003.fits"]
    assert sub["verdict"] == "keep"
    planes = read(out, stack["path"])
    without = run_night(FOLDER, out=tmp_path, reject=["Wicker_Nebula_L_003.fits"])
    clean = read(tmp_path, stack_of(without, "L")["path"])["PRIMARY"]
    light = truth_of(truth, "Wicker_Nebula_L_003.fits")
    trail, core = (
        moved_mask(truth.satellite_pixels(light, level_e=level), sub["to_grid"], clean.shape)
        for level in (20, 300)
    )
    assert trail.sum() > 1000
    # in the cores of stars photon noise is above that of the sky
    noise = stack["noise_adu"]
    sky = trail & (clean < np.nanmedian(clean) + 10 * noise)
    difference = (planes["PRIMARY"] - clean)[sky]
    assert np.nanmax(np.abs(difference)) < 5 * noise
    assert abs(np.nanmean(difference)) < 0.5 * noise
    assert planes["CLIPHIGH"][core].mean() > 0.9


def test_noise_and_sharpness_are_as_the_subs_predict(record):
    for filter_name in FILTERS:
        stack = stack_of(record, filter_name)
        subs = [f for f in record["frames"] if f["path"] in stack["frames"]]
        weight = np.array([f["weight"] for f in subs])
        assert weight.sum() == pytest.approx(1)
        fwhm = np.array([f["fwhm_px"] for f in subs])
        assert stack["fwhm_px"] <= 1.05 * float((weight * fwhm).sum())
        assert stack["noise_adu"] == pytest.approx(stack["predicted_noise_adu"], rel=0.1)
        parts = {part["source"]: part for part in stack["noise_parts"]}
        assert {"read noise", "sky", "dark", "flat"} <= parts.keys()
        assert sum(part["share"] for part in parts.values()) == pytest.approx(1)
        assert parts["dark"]["frames"] == 6
        assert parts["sky"]["share"] > 0.8


def test_all_channels_share_one_grid_and_one_sky(record, out):
    shapes, corners = set(), []
    for filter_name in FILTERS:
        stack = stack_of(record, filter_name)
        with fits.open(out / stack["channel"]["fits"], checksum=True) as hdus:
            hdus.verify("exception")
            shapes.add(hdus[0].data.shape)
            assert hdus[0].data.dtype == np.dtype(">f4")
            assert hdus[0].header["FILTER"] == filter_name
            corners.append(WCS(hdus[0].header, fix=False).pixel_to_world_values(0, 0))
        for kind in ("tif", "png"):
            assert (out / stack["channel"][kind]).is_file()
    assert len(shapes) == 1
    ny, nx = shapes.pop()
    assert ny > 200
    assert nx > 280
    assert np.ptp(np.array(corners), axis=0).max() < 1e-9


def test_the_sky_of_the_stack_is_where_the_truth_has_it(record, truth, out):
    # a flip halfway: were it placed wrongly, stars would appear twice or not at all
    stack = stack_of(record, "L")
    image = read(out, stack["path"])["PRIMARY"]
    grid = next(f for f in lights(record).values() if f["is_reference"])
    from_sky = np.linalg.inv(truth_of(truth, Path(grid["path"]).name).to_grid)
    x, y = apply(from_sky, np.column_stack([truth.stars.x, truth.stars.y])).T
    flux = truth.star_flux_adu("L")
    inside = (x > 5) & (x < 354) & (y > 5) & (y < 266)
    brightest = np.argsort(np.where(inside, flux, 0))[::-1][:40]
    sky = np.nanmedian(image)
    peaks = image[np.rint(y[brightest]).astype(int), np.rint(x[brightest]).astype(int)]
    assert (peaks > sky + 5 * stack["noise_adu"]).all()


def test_the_record_keeps_its_contract(record, out):
    assert record["schema"] == 1
    frame_keys = {
        "path",
        "kind",
        "filter",
        "target",
        "setup",
        "exposure_s",
        "time",
        "verdict",
        "by",
        "reasons",
        "fwhm_px",
        "eccentricity",
        "elongation_deg",
        "stars",
        "sky_adu",
        "noise_adu",
        "transparency",
        "weight",
        "to_grid",
        "matched",
        "rms_px",
    }
    assert len(record["frames"]) == 55
    assert all(frame_keys <= set(frame) for frame in record["frames"])
    assert {m["kind"] for m in record["masters"]} == {"bias", "dark", "flat"}
    for product in (*record["masters"], *record["stacks"]):
        assert (out / product["path"]).is_file()
    assert record["problems"] == []
    with (out / "frames.csv").open(encoding="utf-8", newline="") as table:
        assert len(list(csv.DictReader(table))) == 55
    assert "Wicker Nebula" in (out / "report.html").read_text(encoding="utf-8")
    assert json.loads((out / "night.json").read_text(encoding="utf-8")) == record


def test_masters_and_camera_agree_with_the_truth(record, truth, out):
    camera = truth.plan.camera
    masters = {(m["kind"], m["filter"]): m for m in record["masters"]}
    flat = masters["flat", "L"]
    # 2 × 10⁵ sampled pixels: √(2/N) = 0.3 %, and the fixed pattern leaves a little
    assert flat["gain_e_per_adu"] == pytest.approx(camera.gain_e_adu, rel=0.03)
    assert masters["bias", None]["read_noise_e"] == pytest.approx(camera.read_noise_e, rel=0.03)
    response = read(out, flat["path"])["PRIMARY"]
    good = ~truth.bad_pixels
    error = response[good] / truth.flats["L"][good] - 1
    assert abs(np.median(error)) < 0.002
    assert np.std(error) < 0.01


def test_products_tell_where_they_come_from(record, out):
    stack = stack_of(record, "Ha")
    header = fits.getheader(out / stack["path"])
    assert header["CREATOR"].startswith("stackbench")
    assert header["NINPUT"] == len(stack["frames"])
    names = {Path(path).name: f["sha256"] for f in record["frames"] for path in [f["path"]]}
    for n in range(1, header["NINPUT"] + 1):
        assert header[f"IS{n:04d}"] == names[header[f"IN{n:04d}"]]
