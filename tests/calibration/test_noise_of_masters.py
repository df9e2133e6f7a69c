"""What rounding, masters and medians add to the noise, through the code that meets them."""

import numpy as np
import pytest

from stackbench.calibration.apply import CalibratedRows, make_calibrator
from stackbench.calibration.combine import combine_rows
from stackbench.calibration.phototransfer import measure_camera
from stackbench.calibration.statistics import clipped_sigma
from stackbench.frames.records import Kind
from stackbench.rejection.methods import Method, Rejection
from tests.support.calibration import ArrayRows, master_of, written

SHAPE = (400, 500)


def noise_of(image):
    return float(image.std(dtype=np.float64))


def test_rounding_to_whole_adu_adds_its_noise_to_what_is_measured():
    # 1/√12 ADU = 0.288675 ADU, with 0.8 e⁻/ADU 0.230940 e⁻: the variance of a
    # uniform distribution, derivable. The camera's own noise is 0.6 ADU.
    rng = np.random.default_rng(1)
    gain, read_noise_adu, shape = 0.8, 0.6, (1000, 1000)

    def frame(electrons):
        signal = rng.poisson(electrons, shape) / gain + rng.normal(0, read_noise_adu, shape)
        return ArrayRows(np.rint(500 + signal))

    found = measure_camera([(frame(20000), frame(20000))], [(frame(0), frame(0))])
    added = np.sqrt(found.read_noise_adu**2 - read_noise_adu**2)
    assert added == pytest.approx(0.288675, rel=0.02)
    assert found.gain_e_per_adu == pytest.approx(gain, rel=0.01)
    assert added * found.gain_e_per_adu == pytest.approx(0.230940, rel=0.03)


@pytest.mark.parametrize(("depth", "growth"), [(10, 1.048809), (50, 1.009950)])
def test_calibrating_with_a_master_of_equal_frames(tmp_path, depth, growth):
    # The mean of N frames has σ/√N, so that a frame less its master has
    # σ √(1 + 1/N): derivable. N = 50 is what 1 % more noise allows, N = 10 5 %.
    rng = np.random.default_rng(depth)
    fixed = rng.normal(500, 40, SHAPE)
    frames = [fixed + rng.normal(0, 7, SHAPE) for _ in range(depth)]
    made, clipped = (
        combine_rows([ArrayRows(frame) for frame in frames], rejection=Rejection(method=method))
        for method in (Method.NONE, Method.SIGMA_CLIP)
    )
    assert noise_of(made.data - fixed) == pytest.approx(7 / np.sqrt(depth), rel=0.01)
    # A mean of what lies within 3 σ of itself has up to 1.5 % more noise: its variance
    # is ∫z²φ over (∫φ − 6 φ(3))², integrals over ± 3, derivable.
    assert 1 <= noise_of(clipped.data - fixed) / noise_of(made.data - fixed) < 1.02
    light = written(tmp_path / "light.fits", (fixed + rng.normal(0, 7, SHAPE)).astype(np.float32))
    calibrator = make_calibrator(bias=master_of(Kind.BIAS, made.data))
    calibrated = CalibratedRows(light, calibrator).rows(0, SHAPE[0])
    assert noise_of(calibrated) / 7 == pytest.approx(growth, rel=0.01)


@pytest.mark.parametrize(("depth", "ratio"), [(3, 1.160176), (9, 1.222665), (21, 1.240343)])
def test_a_median_master_is_noisier_than_a_mean(depth, ratio):
    # Finite n, exact: n Var(median)/σ² = 1.34601, 1.49491, 1.53845 for 3, 9 and 21
    # frames; order statistics, Kendall & Stuart. Its limit is π/2: 1.253314.
    rng = np.random.default_rng(depth)
    sources = [ArrayRows(rng.normal(1000, 7, SHAPE)) for _ in range(depth)]
    median, mean = (
        noise_of(combine_rows(sources, rejection=Rejection(method=method)).data)
        for method in (Method.MEDIAN, Method.NONE)
    )
    assert median / mean == pytest.approx(ratio, rel=0.01)
    assert ratio**2 < np.pi / 2


def test_flat_fielding_adds_the_noise_of_the_master_flat(tmp_path):
    # (σ/S)² = 1/S + 1/F: derivable. A light of 10⁴ e⁻ over a master of 20 flats
    # of 3 × 10⁴ e⁻: 0.0100830 instead of 0.0100000.
    rng = np.random.default_rng(5)
    response = 1 + rng.normal(0, 0.02, SHAPE)
    flats = [ArrayRows(rng.poisson(30000 * response) / 30000) for _ in range(20)]
    made = combine_rows(flats, rejection=Rejection(method=Method.NONE))
    light = written(tmp_path / "light.fits", rng.poisson(10000 * response).astype(np.float32))
    calibrator = make_calibrator(flat=master_of(Kind.FLAT, made.data))
    level = CalibratedRows(light, calibrator).rows(0, SHAPE[0])
    assert clipped_sigma(level) / 10000 == pytest.approx(0.0100830, rel=0.005)
