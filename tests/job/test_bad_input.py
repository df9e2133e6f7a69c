"""A night with every kind of bad file in it: each is told of, the rest is done."""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from stackbench.job.bench import WrongUseError, check_folders, open_bench
from stackbench.job.settings import Settings
from stackbench.job.store import StoreError
from tests.support.jobs import checksums, lights, run_night
from tests.support.simulator.factories import plan_small_night
from tests.support.simulator.night import simulate_night

SHAPE = (240, 320)


def write(path, data, **cards):
    hdu = fits.PrimaryHDU(data)
    for key, value in cards.items():
        hdu.header[key.replace("_", "-")] = value
    hdu.writeto(path)


def light_like(path, data, **cards):
    write(
        path,
        data,
        **{
            "IMAGETYP": "Light Frame",
            "EXPTIME": 60.0,
            "FILTER": "L",
            "OBJECT": "Elsewhere",
            "CCD_TEMP": -10.0,
            **cards,
        },
    )


def header_only(path, *cards):
    lines = ["SIMPLE  =                    T", *cards, "END"]
    path.write_bytes("".join(line.ljust(80) for line in lines).encode().ljust(2880))


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Give a good small night among which bad files lie."""
    folder = tmp_path_factory.mktemp("night")
    plan = plan_small_night(filters=("L",), lights=5, flats=4, bias=4, darks=4)
    truth = simulate_night(folder, rng=np.random.default_rng(11), night=plan)
    bad = folder / "bad"
    bad.mkdir()
    whole = truth.frames[0].path.read_bytes()
    (bad / "truncated.fits").write_bytes(whole[: len(whole) // 2])
    (bad / "empty.fits").write_bytes(b"")
    (bad / "text.fits").write_text("These are my notes of the night.\n" * 200)
    write(bad / "no_pixels.fits", None, IMAGETYP="Light Frame")
    light_like(bad / "cube.fits", np.zeros((3, 40, 50), np.uint16))
    light_like(bad / "no_time.fits", np.full(SHAPE, 500, np.uint16), EXPTIME=0.0)
    light_like(bad / "all_nan.fits", np.full(SHAPE, np.nan, np.float32))
    light_like(bad / "all_saturated.fits", np.full(SHAPE, 65535, np.uint16))
    light_like(bad / "other_shape.fits", np.full((100, 90), 700, np.uint16))
    bias_shape = np.full((100, 90), 500, np.uint16)
    write(bad / "other_bias.fits", bias_shape, IMAGETYP="Bias Frame", EXPTIME=0.0)
    write(bad / "no_keys.fits", np.zeros(SHAPE, np.uint16))
    header_only(
        bad / "huge.fits",
        "BITPIX  =                   16",
        "NAXIS   =                    2",
        "NAXIS1  =              1000000",
        "NAXIS2  =              1000000",
        "IMAGETYP= 'Light Frame'",
    )
    rng = np.random.default_rng(1)
    for n in range(4):
        noise = rng.normal(900, 20, SHAPE).astype(np.float32)
        light_like(bad / f"hostile_{n}.fits", noise, OBJECT="../../x", FILTER="M 51/a?")
    return folder


@pytest.fixture(scope="module")
def out(night):
    # inside the input folder, and with an earlier run's products in the input
    earlier = night / "earlier"
    run_night(night, out=earlier)
    return night / "out"


@pytest.fixture(scope="module")
def record(night, out):
    before = checksums(night)
    record = run_night(night, out=out)
    after = {n: s for n, s in checksums(night).items() if not n.startswith("out/")}
    assert after == before, "a file of the night was touched"
    return record


@pytest.mark.parametrize(
    "name",
    [
        "truncated.fits",
        "empty.fits",
        "text.fits",
        "no_pixels.fits",
        "cube.fits",
        "no_time.fits",
        "no_keys.fits",
        "huge.fits",
        "all_nan.fits",
        "all_saturated.fits",
        "other_shape.fits",
        "earlier",
    ],
)
def test_every_bad_file_has_one_line_with_cause_and_remedy(record, name):
    told = [p for p in record["problems"] if p["path"] and Path(p["path"]).name == name]
    assert len(told) == 1
    assert all(len(told[0][key]) > 10 for key in ("what", "why", "remedy"))


@pytest.mark.parametrize("name", ["all_nan.fits", "all_saturated.fits", "other_shape.fits"])
def test_lights_without_stars_are_rejected_with_a_reason(record, name):
    light = lights(record)[name]
    assert light["verdict"] == "reject"
    assert light["reasons"]
    assert light["fwhm_px"] is None
    assert light["to_grid"] is None


def test_the_rest_of_the_night_is_done(record):
    (stack,) = record["stacks"]
    assert (stack["filter"], len(stack["frames"])) == ("L", 5)
    assert {m["kind"] for m in record["masters"]} >= {"bias", "dark", "flat"}


def test_a_bias_of_another_shape_is_combined_with_no_other(record):
    masters = [m["frames"] for m in record["masters"] if m["kind"] == "bias"]
    names = [{Path(path).name for path in paths} for paths in masters]
    assert not any("other_bias.fits" in each and len(each) > 1 for each in names)


def test_groups_that_cannot_be_stacked_say_why(record):
    told = [p for p in record["problems"] if "nothing was stacked" in p["what"]]
    assert any("../../x" in p["what"] for p in told)


def test_nothing_is_written_outside_the_output_folder(record, night, out):
    names = {p.name for p in night.parent.iterdir()}
    assert not any(name.startswith("x") for name in names)
    assert (out / "night.json").is_file()
    assert record["inputs"] == [night.as_posix()]


def test_frames_of_an_earlier_run_are_not_taken_for_raw_ones(record):
    assert not any("earlier" in f["path"] for f in record["frames"])


def test_wrong_folders_are_refused_with_what_to_do(tmp_path):
    with pytest.raises(WrongUseError, match="does not exist"):
        check_folders([tmp_path / "nowhere"], tmp_path / "out")
    with pytest.raises(WrongUseError, match="another one"):
        check_folders([tmp_path], tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(WrongUseError, match="is a file"):
        check_folders([tmp_path / "file"])


def test_an_output_folder_that_cannot_be_made_is_refused(tmp_path):
    (tmp_path / "file").write_text("x")
    with (
        pytest.raises(WrongUseError, match="cannot be written"),
        open_bench(tmp_path / "file" / "out", settings=Settings()),
    ):
        pass


def test_two_jobs_in_one_output_folder_are_refused(tmp_path):
    with (
        open_bench(tmp_path, settings=Settings()),
        pytest.raises(WrongUseError, match="another job"),
        open_bench(tmp_path, settings=Settings()),
    ):
        pass


def test_a_damaged_store_is_told_of_and_left_alone(tmp_path):
    (tmp_path / "stackbench.sqlite").write_bytes(b"not a database, but long enough" * 100)
    with (
        pytest.raises(StoreError, match="move the file away"),
        open_bench(tmp_path, settings=Settings()),
    ):
        pass
    assert (tmp_path / "stackbench.sqlite").read_bytes().startswith(b"not a database")


def test_scratch_of_a_crashed_run_is_removed(tmp_path):
    (tmp_path / ".scratch").mkdir()
    (tmp_path / ".scratch" / "decoded").write_bytes(b"x" * 10)
    with open_bench(tmp_path, settings=Settings()):
        assert not (tmp_path / ".scratch").exists()
