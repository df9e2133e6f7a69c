"""Master frames and what they say about themselves."""

import numpy as np
import pytest

from stackbench.calibration.apply import calibrate_frame, make_calibrator
from stackbench.calibration.masters import NoMaster, make_flat, make_level
from stackbench.calibration.records import Master
from stackbench.frames.pixels import MappedRows
from stackbench.frames.records import Kind
from stackbench.rejection.methods import Method, Rejection
from tests.support.calibration import (
    ArrayRows,
    BrokenRows,
    camera_frames,
    master_of,
    set_of,
    written,
)

SHAPE = (120, 160)
AUTO = Rejection(method=Method.AUTO)
READ_NOISE = 6.0  # ADU


def _bias_truth(rng):
    return 500 + rng.normal(0, 3, SHAPE) + np.linspace(0, 10, SHAPE[1])


def _sources(images):
    return [ArrayRows(image) for image in images]


def _spread(image):
    """Robust scatter of an image, ADU."""
    return 1.4826 * np.median(np.abs(image - np.median(image)))


@pytest.mark.parametrize("count", [10, 20])
def test_bias_and_its_noise(count):
    # Mean of N frames: σ/√N. Whole ADU add 1/√12 ADU in quadrature (variance of
    # a uniform distribution). Mathematical facts.
    rng = np.random.default_rng(60)
    truth = _bias_truth(rng)
    frames = camera_frames(truth, count, noise=READ_NOISE, rng=rng)
    master = make_level(set_of(Kind.BIAS, count, SHAPE), _sources(frames), rejection=AUTO)
    assert isinstance(master, Master)
    assert master.kind is Kind.BIAS
    assert len(master.paths) == count
    expected = np.hypot(READ_NOISE, 1 / np.sqrt(12))
    assert master.read_noise_adu == pytest.approx(expected, rel=0.01)
    assert master.noise == pytest.approx(expected / np.sqrt(count), rel=0.03)
    assert np.std(master.data - truth) == pytest.approx(expected / np.sqrt(count), rel=0.03)
    assert master.level_adu == pytest.approx(np.median(truth), abs=0.3)
    assert master.problems == ()
    assert master.dropped == ()


def test_median_noise_of_nine_frames():
    # Variance of the median of nine normal values: n·Var = 1.49491, that is
    # 1.22267 times the noise of their mean (order statistics).
    rng = np.random.default_rng(61)
    truth = np.full((400, 400), 500.0)
    images = [truth + rng.normal(0, 8, truth.shape) for _ in range(9)]
    sources = _sources(images)
    median = make_level(
        set_of(Kind.BIAS, 9, truth.shape), sources, rejection=Rejection(method=Method.MEDIAN)
    )
    mean = make_level(
        set_of(Kind.BIAS, 9, truth.shape), sources, rejection=Rejection(method=Method.NONE)
    )
    ratio = np.std(median.data) / np.std(mean.data)
    assert ratio == pytest.approx(1.22267, rel=0.01)
    assert median.noise / mean.noise == pytest.approx(1.22267, rel=0.01)


def test_signal_to_noise_grows_with_the_root_of_the_number():
    # 16 frames: 4 times (mathematical fact).
    rng = np.random.default_rng(62)
    images = [rng.normal(500, 8, (250, 250)) for _ in range(16)]
    master = make_level(
        set_of(Kind.BIAS, 16, (250, 250)),
        _sources(images),
        rejection=Rejection(method=Method.NONE),
    )
    assert np.std(images[0]) / np.std(master.data) == pytest.approx(4, rel=0.02)


@pytest.mark.parametrize(("count", "growth"), [(10, 1.048809), (50, 1.009950)])
def test_subtracting_a_master_costs_little_noise(count, growth):
    # √(1 + 1/N): mathematical fact.
    rng = np.random.default_rng(63)
    images = [rng.normal(500, 7, SHAPE) for _ in range(count)]
    master = make_level(
        set_of(Kind.BIAS, count, SHAPE),
        _sources(images),
        rejection=Rejection(method=Method.NONE),
    )
    another = rng.normal(500, 7, SHAPE)
    assert np.std(another - master.data) / 7 == pytest.approx(growth, rel=0.015)


def test_dark_keeps_the_bias_and_loses_cosmic_rays():
    rng = np.random.default_rng(64)
    truth = _bias_truth(rng) + 30
    frames = camera_frames(truth, 10, noise=READ_NOISE, rng=rng)
    for frame in frames:
        hits = rng.integers(0, SHAPE[0], 15), rng.integers(0, SHAPE[1], 15)
        frame[hits] += 4000
    master = make_level(
        set_of(Kind.DARK, 10, SHAPE, exposure_s=300), _sources(frames), rejection=AUTO
    )
    assert master.exposure_s == 300
    assert master.level_adu == pytest.approx(np.median(truth), abs=1)
    assert np.abs(master.data - truth).max() < 8 * READ_NOISE / np.sqrt(10)
    assert 150 <= master.rejected_pixels < 0.05 * 10 * truth.size
    assert master.read_noise_adu is None
    assert master.frame_noise_adu == pytest.approx(READ_NOISE, rel=0.02)


def test_a_lit_dark_stays_out():
    rng = np.random.default_rng(65)
    frames = camera_frames(_bias_truth(rng), 6, noise=READ_NOISE, rng=rng)
    frames[2] = frames[2] + np.uint16(3000)
    master = make_level(set_of(Kind.DARK, 6, SHAPE), _sources(frames), rejection=AUTO)
    assert len(master.paths) == 5
    (dropped,) = master.dropped
    assert dropped.path.name == "dark_2.fits"
    assert "3505 ADU" in dropped.reason or "3504 ADU" in dropped.reason
    (problem,) = master.problems
    assert problem.path == dropped.path


def _flat_truth(rng):
    y, x = np.indices(SHAPE)
    vignetting = 1 - 0.4 * np.hypot(y - SHAPE[0] / 2, x - SHAPE[1] / 2) ** 2 / 100**2
    return vignetting * rng.normal(1, 0.01, SHAPE)


def _flat_frames(rng, response, levels, *, pedestal=500.0, gain=1.0):
    return [
        np.clip(
            np.rint(
                pedestal
                + rng.poisson(level * gain * response) / gain
                + rng.normal(0, READ_NOISE, SHAPE)
            ),
            0,
            65535,
        ).astype(np.uint16)
        for level in levels
    ]


def test_flat_is_the_response():
    rng = np.random.default_rng(66)
    response = _flat_truth(rng)
    levels = np.linspace(10000, 30000, 12)
    frames = _flat_frames(rng, response, levels)
    under = np.full(SHAPE, 500, np.float32)
    flat_set = set_of(Kind.FLAT, 12, SHAPE, filter="R")
    master = make_flat(
        flat_set, _sources(frames), levels=[under] * 12, saturation_adu=65535, rejection=AUTO
    )
    assert isinstance(master, Master)
    assert master.filter == "R"
    assert np.median(master.data) == pytest.approx(1, abs=1e-6)
    ratio = master.data / response
    # Photon noise of 240,000 electrons in all, at response 1.
    expected = np.sqrt(1 / levels.sum()) * np.mean(response**-0.5)
    assert np.std(ratio / np.mean(ratio)) == pytest.approx(expected, rel=0.05)
    assert master.noise == pytest.approx(np.sqrt(1 / levels.sum()), rel=0.15)
    assert master.level_adu == pytest.approx(20000 * np.median(response), rel=0.01)


def test_flats_left_out():
    rng = np.random.default_rng(67)
    response = _flat_truth(rng)
    frames = _flat_frames(rng, response, [20000, 80000, 20000, 20, 20000, 20000])
    under = [np.full(SHAPE, 500, np.float32)] * 7
    sources = [*_sources(frames), BrokenRows(frames[0])]
    flat_set = set_of(Kind.FLAT, 7, SHAPE, filter="R")
    master = make_flat(
        flat_set, sources, levels=under, saturation_adu=65535, rejection=AUTO, jobs=2
    )
    reasons = {frame.path.name: frame.reason for frame in master.dropped}
    assert list(reasons) == ["flat_1.fits", "flat_3.fits", "flat_6.fits"]
    assert reasons["flat_1.fits"].startswith("saturated: ")
    assert reasons["flat_3.fits"].startswith("near-empty: 1")
    assert reasons["flat_6.fits"].startswith("it cannot be read: the file ends before")
    assert len(master.paths) == 4
    assert len(master.problems) == 3


def test_a_set_without_a_usable_flat():
    rng = np.random.default_rng(68)
    frames = _flat_frames(rng, _flat_truth(rng), [90000] * 3)
    flat_set = set_of(Kind.FLAT, 3, SHAPE, filter="R")
    found = make_flat(flat_set, _sources(frames), saturation_adu=65535, rejection=AUTO)
    assert isinstance(found, NoMaster)
    assert found.problem.what == "No master flat R: none of its 3 frames can be used"
    assert "saturated" in found.problem.why


def test_frames_of_another_shape_and_without_values():
    rng = np.random.default_rng(69)
    frames = camera_frames(_bias_truth(rng), 5, noise=READ_NOISE, rng=rng)
    sources = _sources(frames)
    sources[1] = ArrayRows(np.full(SHAPE, np.nan))
    sources[3] = ArrayRows(np.zeros((10, 10)))
    master = make_level(set_of(Kind.BIAS, 5, SHAPE), sources, rejection=AUTO)
    reasons = [frame.reason for frame in master.dropped]
    assert reasons[0] == "100 % of its pixels are undefined"
    assert reasons[1] == "its shape (ny, nx) is (10, 10), that of the set (120, 160)"
    assert len(master.paths) == 3


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_frames_give_a_master_with_a_warning(count):
    rng = np.random.default_rng(70)
    truth = np.full(SHAPE, 500.0)
    frames = camera_frames(truth, count, noise=READ_NOISE, rng=rng)
    master = make_level(set_of(Kind.BIAS, count, SHAPE), _sources(frames), rejection=AUTO)
    assert len(master.paths) == count
    assert master.noise == pytest.approx(np.std(master.data), rel=0.06)
    (problem,) = master.problems
    assert problem.what.startswith("Master bias made of ")
    assert f"{np.sqrt(1 + 1 / count):.2f}" in problem.why
    assert (master.read_noise_adu is None) == (count == 1)


def test_calibrated_sky_is_flat_to_its_noise(tmp_path):
    # The whole chain with a known truth: bias, dark of another exposure, flat
    # with its own dark-flat, sky. Noise of a divided flat: (σ/S)² = 1/S + 1/F
    # with S and F the electrons of the light and of all flats.
    rng = np.random.default_rng(71)
    bias, response = _bias_truth(rng), _flat_truth(rng)
    current = 0.2 + rng.exponential(0.05, SHAPE)  # ADU/s
    gain, sky, depth = 1.3, 4000.0, 16  # e⁻/ADU, ADU, frames

    def frames(truth, count):
        return _sources(camera_frames(truth, count, noise=READ_NOISE, rng=rng))

    def lit(seconds, light):
        electrons = rng.poisson(gain * (light * response + current * seconds))
        raw = bias + electrons / gain + rng.normal(0, READ_NOISE, SHAPE)
        return np.rint(raw).astype(np.uint16)

    masters = {
        "bias": make_level(set_of(Kind.BIAS, 30, SHAPE), frames(bias, 30), rejection=AUTO),
        "dark": make_level(
            set_of(Kind.DARK, 30, SHAPE, exposure_s=600),
            frames(bias + 600 * current, 30),
            rejection=AUTO,
        ),
    }
    dark_flat = make_level(
        set_of(Kind.DARK_FLAT, 20, SHAPE), frames(bias + 2 * current, 20), rejection=AUTO
    )
    masters["flat"] = make_flat(
        set_of(Kind.FLAT, depth, SHAPE, filter="L"),
        _sources(lit(2, 30000) for _ in range(depth)),
        levels=[dark_flat.data] * depth,
        saturation_adu=65535,
        rejection=AUTO,
    )
    calibrator = make_calibrator(**masters, dark_scale=300 / 600)
    light = written(tmp_path / "light.fits", lit(300, sky))
    done = calibrate_frame(light, calibrator).data
    # ADU of the flat's median response.
    expected = sky * np.median(response)
    assert np.mean(done) == pytest.approx(expected, rel=0.002)
    relative = response / np.median(response)
    variance = (sky * response + 300 * current) / gain + READ_NOISE**2 * (1 + 0.25 / 30 + 0.25 / 30)
    variance = variance / relative**2 + expected**2 / (gain * depth * 30000 * response)
    assert np.std(done) == pytest.approx(np.sqrt(np.mean(variance)), rel=0.02)
    # No trace of vignetting is left: the means of 6 × 8 blocks agree to their noise.
    blocks = done.reshape(6, 20, 8, 20).mean(axis=(1, 3))
    assert np.std(blocks) < 1.4 * np.std(done) / 20


def test_noise_of_a_divided_light():
    # (σ/S)² = 1/S + 1/F for S electrons in the light and F in all flats:
    # 10⁴ and 20 × 30000 give 0.0100830 (mathematical fact).
    rng = np.random.default_rng(73)
    shape = (400, 400)
    flats = [ArrayRows(rng.poisson(30000, shape)) for _ in range(20)]
    flat_set = set_of(Kind.FLAT, 20, shape, filter="L")
    master = make_flat(flat_set, flats, rejection=Rejection(method=Method.NONE))
    light = rng.poisson(10000, shape) / master.data
    assert np.std(light) / np.mean(light) == pytest.approx(0.0100830, rel=0.005)
    assert master.noise == pytest.approx(1 / np.sqrt(20 * 30000), rel=0.02)


def test_mixed_bitpix_in_one_set(tmp_path):
    rng = np.random.default_rng(72)
    frames = camera_frames(_bias_truth(rng), 4, noise=READ_NOISE, rng=rng)
    kinds = (np.uint16, np.int32, np.float32, np.int16)
    mapped = [
        MappedRows(written(tmp_path / f"{index}.fits", frame.astype(kind)))
        for index, (frame, kind) in enumerate(zip(frames, kinds, strict=True))
    ]
    bias_set = set_of(Kind.BIAS, 4, SHAPE)
    master = make_level(bias_set, mapped, rejection=AUTO)
    same = make_level(bias_set, _sources(frames), rejection=AUTO)
    np.testing.assert_array_equal(master.data, same.data)
    assert master.frame_noise_adu == same.frame_noise_adu


def test_master_of_hand_has_no_read_noise():
    assert master_of(Kind.BIAS, np.zeros((2, 2))).read_noise_adu is None
