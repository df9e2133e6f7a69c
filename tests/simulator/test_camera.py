"""The simulated camera shows the gain, noise, dark current and flat that were put in."""

from dataclasses import replace

import numpy as np
import pytest

from tests.support.simulator.camera import camera_signature, developed, flat_field
from tests.support.simulator.plan import CameraPlan, OpticsPlan

EVEN = CameraPlan(
    gain_e_adu=1.5,
    read_noise_e=7.5,
    dark_e_s=0.0,
    glow_e_s=0.0,
    hot_fraction=0.0,
    low_fraction=0.0,
    pixel_response=0.0,
)


def _frame(camera, signature, rng, electrons=0.0, flat=None, exposure_s=0.0, **options):
    photons = np.full((1, signature.response.shape[1]), electrons, np.float32)
    options = {"temperature_c": camera.temperature_c, **options}
    rows = developed(
        photons,
        signature=signature,
        camera=camera,
        flat=signature.response if flat is None else flat,
        exposure_s=exposure_s,
        rng=rng,
        **options,
    )
    return np.vstack([block.copy() for block in rows]).astype(np.float64)


def _photon_transfer(flats, biases):
    """Janesick's pair method; Howell 2006, Handbook of CCD Astronomy, 2nd ed., sect. 4.3."""
    level = sum(f.mean() for f in flats) - sum(b.mean() for b in biases)
    bias_variance = (biases[0] - biases[1]).var()
    gain = level / ((flats[0] - flats[1]).var() - bias_variance)
    return gain, gain * np.sqrt(bias_variance / 2)


def test_photon_transfer_formula_on_its_worked_example():
    # Howell 2006, sect. 4.3 (formula; example derivable): F̄ = 12000, 12040,
    # B̄ = 1000, 1002, σ_F = 120, σ_B = 8 → g = 1.537249 e⁻/ADU, R = 8.695993 e⁻
    def pair(means, sigma):
        step = np.array([-sigma / 2, sigma / 2])
        return [means[0] + step, means[1] - step]

    gain, noise = _photon_transfer(pair((12000, 12040), 120.0), pair((1000, 1002), 8.0))
    assert (gain, noise) == pytest.approx((1.537249, 8.695993), abs=1e-6)


def test_photon_transfer_gives_back_gain_and_read_noise():
    # Derivable: with rounding R_meas = √(R² + g²/12) = 7.5125 e⁻; σ(g)/g ≈ √(2/N_pix)
    rng = np.random.default_rng(12345)
    signature = camera_signature(rng, (1000, 1000), EVEN)
    flats = [_frame(EVEN, signature, rng, electrons=16000.0) for _ in range(2)]
    biases = [_frame(EVEN, signature, rng) for _ in range(2)]
    gain, noise = _photon_transfer(flats, biases)
    assert gain == pytest.approx(1.5, rel=0.005)
    assert noise == pytest.approx(np.sqrt(7.5**2 + 1.5**2 / 12), rel=0.005)


def test_patterns_repeat_and_noise_does_not():
    rng = np.random.default_rng(7)
    signature = camera_signature(rng, (300, 400), EVEN)
    mean = np.mean([_frame(EVEN, signature, rng) for _ in range(40)], axis=0)
    left = mean - signature.bias_adu
    # mean of N frames: σ/√N (mathematical fact)
    sigma = np.sqrt((7.5 / 1.5) ** 2 + 1 / 12) / np.sqrt(40)
    assert left.std() == pytest.approx(sigma, rel=0.02)
    assert left.mean() == pytest.approx(0.0, abs=5 * sigma / np.sqrt(left.size))
    assert signature.bias_adu.mean(axis=0).std() == pytest.approx(EVEN.bias_column_adu, rel=0.15)


def test_dark_current_grows_with_exposure_and_temperature():
    camera = replace(EVEN, dark_e_s=0.5, hot_fraction=1e-3, dark_doubling_c=6.0)
    rng = np.random.default_rng(3)
    signature = camera_signature(rng, (200, 300), camera)
    dark = _frame(camera, signature, rng, exposure_s=100.0) - signature.bias_adu
    warm = _frame(camera, signature, rng, exposure_s=100.0, temperature_c=-4.0)
    plain = ~signature.hot
    assert dark[plain].mean() == pytest.approx(50 / 1.5, abs=0.15)
    assert (warm - signature.bias_adu)[plain].mean() == pytest.approx(100 / 1.5, abs=0.2)
    assert 50 <= signature.hot.sum() <= 60
    assert (dark[signature.hot] > 2.0 * 100 / 1.5 * 0.9).all()


def test_flat_holds_vignetting_dust_and_low_pixels():
    camera = replace(EVEN, low_fraction=1e-3, pixel_response=0.01)
    rng = np.random.default_rng(5)
    signature = camera_signature(rng, (400, 500), camera)
    flat = flat_field(rng, signature, OpticsPlan(vignetting=0.3, dust=8, dust_depth=0.2))
    assert np.median(flat) == pytest.approx(1.0, abs=1e-6)
    corners = np.mean([flat[:20, :20], flat[-20:, -20:], flat[:20, -20:], flat[-20:, :20]])
    middle = np.median(flat[180:220, 230:270])
    assert corners / middle == pytest.approx(0.72, abs=0.05)
    assert (flat[signature.low] < 0.75).all()
    without = flat_field(rng, signature, OpticsPlan(vignetting=0.3, dust=0))
    assert (flat / without).min() < 0.95  # a mote's shadow


def test_saturation_and_overscan():
    camera = replace(EVEN, overscan=24, saturation_adu=50000, bias_drift_adu=5.0)
    rng = np.random.default_rng(11)
    signature = camera_signature(rng, (64, 100), camera)
    full = _frame(camera, signature, rng, electrons=2e5)
    assert full.shape == (64, 124)
    assert (full[:, :100] == 50000).all()
    assert abs(full[:, 100:].mean() - 500.0) < 25.0
    drift = [(_frame(camera, signature, rng) - signature.bias_adu).mean() for _ in range(20)]
    assert 2.0 < np.std(drift) < 9.0


def test_blocks_of_rows_make_the_whole_frame():
    rng = np.random.default_rng(2)
    signature = camera_signature(rng, (1300, 400), EVEN)
    ramp = np.linspace(1e3, 2e4, 1300, dtype=np.float32)[:, np.newaxis]
    blocks = list(
        developed(
            np.broadcast_to(ramp, (1300, 400)),
            signature=signature,
            camera=EVEN,
            flat=signature.response,
            exposure_s=1.0,
            temperature_c=-10.0,
            rng=rng,
        )
    )
    assert len(blocks) > 1
    assert sum(len(block) for block in blocks) == 1300
