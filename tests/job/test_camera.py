"""A camera measured from its night, and the warnings that save a night."""

import html
import json
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from stackbench.cli.commands import app
from tests.support.jobs import checksums, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night
from tests.support.simulator.plan import DarkPlan


def call(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def changed(folder, pattern, change, **cards):
    """Change pixels and cards of frames of a simulated night."""
    paths = sorted(folder.glob(pattern))
    assert paths
    for index, path in enumerate(paths):
        with fits.open(path) as hdus:
            data = change(hdus[0].data.astype(np.float64), index)
            header = hdus[0].header.copy()
        header.update(cards)
        image = np.clip(np.rint(data), 0, 65535).astype(np.uint16)
        fits.writeto(path, image, header, overwrite=True)


def told(record, words):
    return [one for one in record["problems"] if words in one["what"]]


@pytest.fixture(scope="module")
def studied(tmp_path_factory):
    """The study of a night of which all is known."""
    folder = tmp_path_factory.mktemp("camera")
    plan = plan_small_night(
        shape=(480, 640), filters=("L",), lights=1, flats=8, bias=8, darks=8, flip=False
    )
    plan = replace(
        plan,
        darks=(
            DarkPlan(exposure_s=60.0, count=8),
            DarkPlan(exposure_s=60.0, count=8, temperature_c=0.0),
        ),
    )
    truth = simulate_night(folder / "night", rng=np.random.default_rng(4), night=plan)
    before = checksums(folder / "night")
    done = call("camera", folder / "night", "--out", folder / "out")
    assert done.exit_code == 0, done.output
    assert checksums(folder / "night") == before
    (facts,) = json.loads((folder / "out/camera/camera.json").read_text(encoding="utf-8"))
    return truth, facts, done.output, folder / "out"


def test_gain_and_read_noise_within_a_per_cent(studied):
    truth, facts, _, _ = studied
    camera, numbers = truth.plan.camera, facts["numbers"]
    assert numbers["gain_e_per_adu"] == pytest.approx(camera.gain_e_adu, rel=0.01)
    assert abs(numbers["gain_e_per_adu"] - camera.gain_e_adu) < 4 * numbers["gain_error"]
    # whole ADU add g²/12: variance of a uniform distribution
    expected = np.hypot(camera.read_noise_e, camera.gain_e_adu / 12**0.5)
    assert numbers["read_noise_e"] == pytest.approx(expected, rel=0.01)
    assert 1 / facts["line"]["slope"] == pytest.approx(camera.gain_e_adu, rel=0.01)
    assert facts["line"]["deviation"] < 0.02
    assert facts["stated_gain"] == camera.gain_e_adu
    assert facts["problems"] == []


def test_dark_current_within_three_per_cent_and_its_doubling(studied):
    truth, facts, _, _ = studied
    cold, warm = facts["darks"]
    typical = float(np.median(truth.signature.dark_e_s))
    assert cold["rate_e_s"] == pytest.approx(typical, rel=0.03)
    assert warm["rate_e_s"] == pytest.approx(typical * truth.plan.camera.dark_factor(0.0), rel=0.03)
    assert cold["hot_share"] == pytest.approx(truth.signature.hot.mean(), rel=0.1)
    doubling = facts["doubling"]
    assert doubling["step_c"] == pytest.approx(truth.plan.camera.dark_doubling_c, rel=0.03)
    assert abs(doubling["step_c"] - 6) < 4 * doubling["error_c"]


def test_flat_and_bias(studied):
    truth, facts, _, _ = studied
    (flat,) = facts["flats"]
    assert flat["response"]["rms"] == pytest.approx(truth.plan.camera.pixel_response, rel=0.03)
    # 25 % in the corners of the frame, less at the middle of the corner tiles
    assert 0.15 < flat["vignetting"]["corners"] < 0.25
    assert flat["vignetting"]["edges"] < flat["vignetting"]["corners"]
    bias = facts["bias"]
    assert bias["level_adu"] == pytest.approx(truth.plan.camera.bias_adu, abs=0.2)
    drift = bias["by_hour"]
    assert abs(drift["slope"]) < 4 * drift["error"]


def test_table_and_picture(studied):
    _, facts, output, out = studied
    for words in ("gain", "read noise", "dark current doubles every", "pixel response", "flat L"):
        assert words in output
    picture = out / "camera" / f"photon-transfer_{facts['label']}.svg"
    root = ET.fromstring(picture.read_text(encoding="utf-8"))  # noqa: S314 - our own
    circles = root.findall(".//{http://www.w3.org/2000/svg}circle")
    assert len(circles) == len(facts["numbers"]["points"]) - 1 == 4


def test_darks_without_bias_say_what_they_lack(tmp_path):
    plan = plan_small_night(lights=1, flats=2, bias=0, darks=3)
    simulate_night(tmp_path / "night", rng=np.random.default_rng(5), night=plan)
    done = call("camera", tmp_path / "night", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    said = [line for line in done.output.splitlines() if "dark current" in line]
    assert len(said) == 1
    assert "bias frames with the same settings are needed" in said[0]


def test_frames_cut_otherwise_are_kept_apart_to_the_end(tmp_path):
    # calibration frames twice, once with an overscan; the lights have one
    plan = plan_small_night(filters=("L",), lights=4, flats=3, bias=3, darks=3)
    simulate_night(tmp_path / "night", rng=np.random.default_rng(6), night=plan)
    for path in sorted((tmp_path / "night").rglob("*.fits")):
        with fits.open(path) as hdus:
            data, header = hdus[0].data.copy(), hdus[0].header.copy()
        ny, nx = data.shape
        cut = header.copy()
        cut.update(BIASSEC=f"[1:10,1:{ny}]", TRIMSEC=f"[11:{nx},1:{ny}]")
        light = header["IMAGETYP"].casefold().startswith("light")
        target = path if light else path.with_name(f"cut_{path.name}")
        fits.writeto(target, data, cut, overwrite=light)
    record = run_night(tmp_path / "night", out=tmp_path / "out")
    assert record["stacks"][0]["frames"]
    serves = [
        one
        for one in record["masters"]
        if any(Path(p).name.startswith("cut_") for p in one["frames"])
    ]
    assert sorted(one["kind"] for one in serves) == ["bias", "dark", "flat"]
    assert not [p for p in record["problems"] if "serves them" in p["what"]]
    done = call("camera", tmp_path / "night", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output


def test_nothing_to_measure_and_wrong_use(tmp_path):
    (tmp_path / "empty").mkdir()
    nothing = call("camera", tmp_path / "empty", "--out", tmp_path / "out")
    assert nothing.exit_code == 1
    assert "No calibration frames" in nothing.output
    assert call("camera", tmp_path / "nowhere").exit_code == 2


def small(folder, seed=5, **changes):
    plan = plan_small_night(
        shape=(480, 640), filters=("L",), lights=4, flats=4, bias=4, darks=5, flip=False
    )
    camera = changes.pop("camera", {})
    plan = replace(plan, camera=replace(plan.camera, glow_e_s=0.0, **camera), **changes)
    simulate_night(folder, rng=np.random.default_rng(seed), night=plan)
    return folder


def test_a_good_night_raises_no_doubt(tmp_path):
    record = run_night(small(tmp_path / "night"), out=tmp_path / "out")
    assert record["problems"] == []


def test_flats_of_another_level_leave_their_shape(tmp_path):
    # the flats' bias is 5000 ADU too low: their shape comes out too shallow
    night = small(tmp_path / "night")
    changed(night, "calibration/flats/L/*", lambda data, _: data + 5000)
    record = run_night(night, out=tmp_path / "out")
    (found,) = told(record, "corrects too little")
    # (S F + 5000)/(S + 5000) with S about 26000 ADU lacks 5/31 of its shape
    share = int(found["why"].split(": ")[1].split("%")[0]) / 100
    assert share == pytest.approx(5 / 26, abs=0.05)
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "corrects too little" in report
    again = run_night(night, out=tmp_path / "out")
    assert told(again, "corrects too little") == [found]


def test_lit_darks_and_lights_below_them(tmp_path):
    night = small(tmp_path / "night")
    ramp = np.linspace(0, 60, 640)
    changed(night, "calibration/darks/*", lambda data, index: data + 10 + ramp + 4 * index)
    # another zero level: the sky is some 600 ADU
    changed(night, "lights/L/*", lambda data, _: np.maximum(data - 700, 0))
    record = run_night(night, out=tmp_path / "out")
    (leak,) = told(record, "brighter towards one side")
    # 60 ADU from edge to edge
    assert float(leak["why"].split("by ")[1].split(" ADU")[0]) == pytest.approx(60, abs=1.5)
    (growing,) = told(record, "rises steadily")
    assert "16.0 ADU" in growing["why"]
    assert len(told(record, "brighter than the lights")) == 1


def test_glow_in_scaled_darks_and_a_wrong_gain_in_the_headers(tmp_path):
    y, x = np.mgrid[0:480, 0:640]
    glow = 300 * np.exp((x - 639) / 60 + (y - 479) / 60)
    night = small(tmp_path / "night", darks=(DarkPlan(exposure_s=120.0, count=5),))
    changed(night, "calibration/darks/*", lambda data, _: data + glow)
    changed(night, "lights/L/*", lambda data, _: data, EGAIN=1.1)
    changed(night, "calibration/*/*.fit*", lambda data, _: data, EGAIN=1.1)
    changed(night, "calibration/flats/L/*", lambda data, _: data, EGAIN=1.1)
    record = run_night(night, out=tmp_path / "out")
    (glowing,) = told(record, "glows, and is scaled by 0.5")
    assert "last rows right" in glowing["why"]
    assert record["findings"] == [], "what is a problem is not said again"
    (gain,) = told(record, "another gain")
    assert "EGAIN says 1.1" in gain["why"]
    assert "0.8" in gain["why"].split("say")[-1] or "0.79" in gain["why"]


def test_a_zero_level_that_drifts_is_told_in_record_and_report(tmp_path):
    night, out = small(tmp_path / "night", bias=10), tmp_path / "out"
    changed(night, "calibration/bias/*", lambda data, index: data + 1.5 * index)
    record = run_night(night, out=out)
    (drift,) = record["findings"]
    assert (drift["topic"], drift["cause"]) == ("camera", "bias drift")
    assert "rose by 13.5 ADU" in drift["title"]
    assert len(drift["subs"]) == sum(one["kind"] == "light" for one in record["frames"])
    again = run_night(night, out=out)
    assert again["findings"] == record["findings"], "levels are kept with the master"
    page = out / "report.html"
    first = page.read_text(encoding="utf-8")
    page.unlink()
    assert call("report", out).exit_code == 0
    for text in (first, page.read_text(encoding="utf-8")):
        assert drift["evidence"][0] in html.unescape(text)
        assert drift["remedy"] in html.unescape(text)


@pytest.mark.parametrize(
    ("levels", "words"),
    [((50000.0, 50500.0), "very bright"), ((3000.0, 3100.0), "very faint")],
)
def test_flats_near_full_well_or_nearly_dark(tmp_path, levels, words):
    night = small(tmp_path / "night", flat_levels_adu=levels)
    # stars at the ceiling tell where it is
    changed(night, "lights/L/*", lambda data, _: np.where(data > 8000, 60000, data))
    record = run_night(night, out=tmp_path / "out")
    assert len(told(record, words)) == 1


def test_darks_at_another_offset_are_named(tmp_path):
    night = small(tmp_path / "night")
    changed(night, "calibration/darks/*", lambda data, _: data + 10, OFFSET=60)
    seen = call("inspect", night, "--without-library")
    assert "offset setting 60" in seen.output
    assert "offset setting 50" in seen.output


def test_a_warm_dark_is_left_out(tmp_path):
    night = small(tmp_path / "night")
    paths = sorted(Path(night).glob("calibration/darks/*"))
    for path, warmth in zip(paths, (-10.0, -10.0, -10.0, -9.3, -8.6), strict=True):
        fits.setval(path, "CCD-TEMP", value=warmth)
    record = run_night(night, out=tmp_path / "out")
    (dark,) = [one for one in record["masters"] if one["kind"] == "dark"]
    assert [Path(one["path"]).name for one in dark["dropped"]] == [paths[-1].name]
    assert "its sensor was at −8.6 °C" in dark["dropped"][0]["why"]
