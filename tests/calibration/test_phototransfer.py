"""Gain and read noise from pairs of frames."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from stackbench.calibration.phototransfer import (
    TransferPoint,
    gain_and_read_noise,
    measure_camera,
    transfer_line,
)
from tests.support.calibration import ArrayRows


def _with(mean: float, half_range: float) -> np.ndarray:
    """A column pattern of exactly this mean and, against its mirror, this difference."""
    pattern = np.where(np.arange(4000) % 2 == 0, half_range, -half_range)
    return (mean + pattern).reshape(40, 100).astype(np.float32)


def test_worked_example():
    # Janesick 2001, Scientific Charge-Coupled Devices; Howell 2006, Handbook of
    # CCD Astronomy, 2nd ed., section 4.3. Arithmetic: F̄ = 12000, 12040,
    # B̄ = 1000, 1002, σ(F1 − F2) = 120, σ(B1 − B2) = 8 give g = 22038/14336.
    found = gain_and_read_noise(
        _with(12000, 60), _with(12040, -60), _with(1000, 4), _with(1002, -4)
    )
    # ddof 1 of 4000 values makes the variances 1.00025 times larger.
    assert found.gain_e_per_adu * 4000 / 3999 == pytest.approx(1.537249, abs=1e-6)
    assert found.read_noise_e * (4000 / 3999) ** 0.5 == pytest.approx(8.695993, abs=1e-5)


def test_simulated_camera():
    # Measured read noise is √(R² + g²/12) because of rounding; the gain is
    # known to √(2/pixels): mathematical facts.
    rng = np.random.default_rng(12345)
    gain, read_noise, shape = 1.5, 7.5, (1000, 1000)
    pattern = rng.normal(1, 0.01, shape) * np.linspace(0.7, 1.3, 1000)

    def frame(electrons: float) -> np.ndarray:
        charge = rng.poisson(electrons * pattern) if electrons else np.zeros(shape)
        return np.rint(1000 + (charge + rng.normal(0, read_noise, shape)) / gain)

    found = measure_camera(
        [(ArrayRows(frame(16000)), ArrayRows(frame(16000)))],
        [(ArrayRows(frame(0)), ArrayRows(frame(0)))],
    )
    assert found.gain_e_per_adu == pytest.approx(gain, rel=0.01)
    assert found.read_noise_e == pytest.approx(np.sqrt(read_noise**2 + gain**2 / 12), rel=0.01)
    assert found.read_noise_adu == pytest.approx(found.read_noise_e / found.gain_e_per_adu)


def test_saturated_pixels_do_not_count():
    rng = np.random.default_rng(4)
    flats = [np.rint(500 + rng.poisson(20000, (300, 300))) for _ in range(2)]
    for flat in flats:
        flat[:, 100:180] = 65535
    biases = [np.rint(500 + rng.normal(0, 5, (300, 300))) for _ in range(2)]
    pairs = [[tuple(ArrayRows(image) for image in pair)] for pair in (flats, biases)]
    found = measure_camera(*pairs, saturation_adu=65535)
    assert found.gain_e_per_adu == pytest.approx(1, rel=0.02)


def test_nothing_to_tell():
    dark = np.full((20, 20), 100, np.float32)
    assert gain_and_read_noise(dark, dark, dark, dark) is None
    empty = np.full((20, 20), np.nan, np.float32)
    assert gain_and_read_noise(empty, dark, dark, dark) is None


def test_real_camera_by_quadrant():
    # Raw flats and darks of a science camera with four amplifiers. The bounds
    # of the gain, 2.51 to 2.55 e⁻/ADU (± 0.01), and the read noise were found
    # on the same pixels with numpy alone.
    package = find_spec("msfc_ccd")  # not imported: only its data are wanted
    assert package is not None, "the test group installs msfc-ccd"
    folder = Path(package.origin).parent / "_data" / "led"

    def image(number: int) -> np.ndarray:
        return fits.getdata(next(folder.glob(f"ESIS1_{number:05d}*"))).astype(np.float32)

    flats, darks = (image(4803), image(4804)), (image(4860), image(4861))
    for rows in (slice(0, 520), slice(520, 1040)):
        for columns in (slice(50, 1074), slice(1078, 2102)):
            found = gain_and_read_noise(*(frame[rows, columns] for frame in (*flats, *darks)))
            assert 2.50 <= found.gain_e_per_adu <= 2.56
            difference = (darks[0] - darks[1])[rows, columns].astype(np.float64)
            assert found.read_noise_adu == pytest.approx(difference.std() / np.sqrt(2), rel=0.002)
            # The scaled MAD of whole ADU is 4.19 ADU in all four, as coarse as
            # 4 × 1.4826/√2: right to half a step of 1.05 ADU.
            assert found.read_noise_adu == pytest.approx(4.19, abs=0.52)


def test_twilight_flats_of_unlike_levels_give_the_gain_all_the_same():
    # a camera of known gain; response with 30 % of vignetting and 1 % from pixel to pixel
    rng = np.random.default_rng(8)
    gain, read_noise_e, shape = 0.8, 3.5, (300, 400)
    y, x = np.indices(shape)
    response = 1 - 0.3 * ((x / 400 - 0.5) ** 2 + (y / 300 - 0.5) ** 2) / 0.5
    response = response * rng.normal(1, 0.01, shape)

    def raw(electrons):
        signal = rng.poisson(response * electrons) + rng.normal(0, read_noise_e, shape)
        return ArrayRows(np.rint(500 + signal / gain).astype(np.float32))

    measured = measure_camera([(raw(24000.0), raw(15000.0))], [(raw(0.0), raw(0.0))])
    assert measured is not None
    # σ(g)/g ≈ √(2/N), N = 1.2 × 10⁵ pixels
    assert measured.gain_e_per_adu == pytest.approx(gain, rel=0.02)
    assert measured.read_noise_e == pytest.approx(np.hypot(read_noise_e, gain / 12**0.5), rel=0.02)


def test_several_pairs_tell_more_than_one_and_a_full_well_does_not_count():
    rng = np.random.default_rng(9)
    gain, read_noise, shape = 0.8, 3.5, (200, 300)

    def raw(electrons, ceiling=60000):
        signal = rng.poisson(electrons, shape) + rng.normal(0, read_noise, shape)
        return ArrayRows(np.rint(np.minimum(500 + signal / gain, ceiling)))

    levels = (8000, 16000, 24000, 32000)
    flats = [(raw(level), raw(level)) for level in levels]
    biases = [(raw(0), raw(0)) for _ in range(4)]
    one, all_pairs = measure_camera(flats[:1], biases[:1]), measure_camera(flats, biases)
    # errors of independent pairs: smaller by the root of their number
    assert all_pairs.gain_error == pytest.approx(one.gain_error / 2, rel=0.05)
    assert all_pairs.read_noise_error < 0.7 * one.read_noise_error
    assert abs(all_pairs.gain_e_per_adu - gain) < 4 * all_pairs.gain_error
    assert all_pairs.gain_e_per_adu == pytest.approx(gain, rel=0.01)
    # whole ADU: R² + g²/12 (variance of a uniform distribution)
    expected = np.hypot(read_noise, gain / 12**0.5)
    assert all_pairs.read_noise_e == pytest.approx(expected, rel=0.01)
    # near full well half of the pixels stop at the ceiling: their noise is cut
    full = (raw(39200, 49500), raw(39200, 49500))
    with_full = measure_camera([*flats, full], biases, saturation_adu=60000)
    assert with_full.gain_e_per_adu == all_pairs.gain_e_per_adu
    assert measure_camera([full], biases, saturation_adu=60000).gain_e_per_adu > 1.05 * gain


def test_photon_transfer_line():
    # EMVA 1288 Release 4.0 Linear, temporal variance of the grey value:
    # σ_y² = K² σ_d² + σ_q² + K (μ_y − μ_dark), σ_q² = 1/12 (equation number not at
    # hand). K = 0.8 ADU/e⁻, σ_d = 3 e⁻: variance 5.843333 + 0.8 μ.
    points = [
        TransferPoint(signal_adu=mu, variance_adu2=5.76 + 1 / 12 + 0.8 * mu, error_adu2=1.0)
        for mu in (500.0, 1000.0, 2000.0, 4000.0, 8000.0)
    ]
    line = transfer_line(points)
    assert line.slope == pytest.approx(0.8, rel=1e-9)
    assert line.intercept == pytest.approx(5.843333, abs=1e-6)
    assert line.dark_noise_e == pytest.approx(3.0, rel=1e-9)
    assert 1 / line.slope == pytest.approx(1.25, rel=1e-9)
    assert line.deviation == pytest.approx(0, abs=1e-9)
    assert transfer_line(points[:1]) is None


@pytest.mark.parametrize("second", [16000, 11000])
def test_the_stated_error_of_the_gain_is_its_scatter(second):
    rng = np.random.default_rng(8)
    shape, gains, errors = (60, 100), [], []
    for _ in range(150):
        flats = [1000 + rng.poisson(e, shape) / 1.5 for e in (16000, second)]
        biases = [1000 + rng.normal(0, 5, shape) for _ in range(2)]
        pairs = [[tuple(ArrayRows(image) for image in pair)] for pair in (flats, biases)]
        found = measure_camera(*pairs)
        gains.append(found.gain_e_per_adu)
        errors.append(found.gain_error)
    assert np.mean(gains) == pytest.approx(1.5, rel=0.01)
    # the scatter of 150 values is known to 6 %
    assert np.mean(errors) == pytest.approx(np.std(gains), rel=0.2)
