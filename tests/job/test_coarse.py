"""Pictures of calibrated subs, against calibrating every pixel."""

import numpy as np
import pytest

from stackbench.calibration.apply import CalibratedRows, Calibrator
from stackbench.export.preview import averaged
from stackbench.frames.pixels import PixelFile
from stackbench.frames.records import PixelLayout
from stackbench.job.coarse import averaged_sub, coarse

SHAPE = (530, 341)


@pytest.fixture
def raw(tmp_path):
    rng = np.random.default_rng(6)
    path = tmp_path / "raw"
    (rng.poisson(1500, SHAPE) - 32768).astype(">i2").tofile(path)
    return PixelFile(
        path=path, layout=PixelLayout(hdu=0, shape=SHAPE, bitpix=16, bzero=32768.0, data_offset=0)
    )


@pytest.fixture
def calibrator():
    """A flat with vignetting and 1 % from pixel to pixel, a dark, and bad pixels."""
    rng = np.random.default_rng(7)
    y, x = np.indices(SHAPE) / max(SHAPE)
    multiply = (1 + x * y + 0.01 * rng.standard_normal(SHAPE)).astype(np.float32)
    multiply[rng.random(SHAPE) < 0.01] = np.nan
    multiply[:8, :8] = np.nan
    return Calibrator(subtract=rng.normal(500, 3, SHAPE).astype(np.float32), multiply=multiply)


@pytest.mark.parametrize("factor", [1, 2, 4])
def test_means_are_those_of_calibrated_pixels(raw, calibrator, factor):
    exact = averaged(CalibratedRows(raw, calibrator).rows(0, SHAPE[0]), factor=factor)
    found = averaged_sub(raw, coarse(calibrator, factor=factor))
    np.testing.assert_array_equal(np.isnan(found), np.isnan(exact))
    # the noise of a mean is √1500/factor ADU; it may be off by a twentieth of that
    assert np.nanmax(np.abs(found - exact)) < 0.5 * np.sqrt(1500) / factor
    assert np.nanstd(found - exact) < 0.05 * np.sqrt(1500) / factor


def test_without_masters_the_raw_values_are_averaged(raw):
    found = averaged_sub(raw, coarse(Calibrator(), factor=3))
    expected = averaged(CalibratedRows(raw, Calibrator()).rows(0, SHAPE[0]), factor=3)
    np.testing.assert_array_equal(found, expected)
