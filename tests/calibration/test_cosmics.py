"""Hits of cosmic rays in single subs."""

import numpy as np
import pytest

from stackbench.calibration import cosmics
from stackbench.calibration.apply import CalibratedRows, Calibrator, make_calibrator
from stackbench.calibration.cosmics import CleanedRows, SubLevels, find_hits
from tests.support.calibration import written

READ_E, SKY_E = 5.0, 200.0


def _sub(tmp_path, electrons, *, gain=1.0, **options):
    calibrator = make_calibrator(**options) if options else Calibrator()
    return CalibratedRows(
        written(tmp_path / "sub.fits", (electrons / gain).astype(np.float32)), calibrator
    )


def _levels(gain=1.0, *, known=True):
    noise = np.sqrt(SKY_E + READ_E**2)
    return SubLevels(
        sky_adu=SKY_E / gain, noise_adu=noise / gain, gain_e_per_adu=gain if known else None
    )


def _star_and_hits(rng):
    """Sky, one star of 2 × 10⁴ e⁻ and σ 1.5 px, and three pixels hit with 1500 e⁻."""
    side = 128
    y, x = np.indices((side, side)) - side // 2
    star = 2e4 / (2 * np.pi * 1.5**2) * np.exp(-(x**2 + y**2) / (2 * 1.5**2))
    image = rng.poisson(SKY_E + star) + rng.normal(0, READ_E, (side, side))
    places = [(25, 32), (74, 106), (96, 48)]
    for place in places:
        image[place] += 1500
    return image, [row * side + column for row, column in places]


@pytest.mark.parametrize("gain", [1.0, 0.25])
def test_hits_are_told_from_a_star(tmp_path, gain):
    # Laplacian detection with limits 4.5, 0.3 and 5: exactly the three hits and
    # nothing of the star; van Dokkum 2001, PASP 113, 1420.
    image, places = _star_and_hits(np.random.default_rng(0))
    sub = _sub(tmp_path, image, gain=gain)
    assert find_hits(sub, _levels(gain)).tolist() == places


def test_without_a_gain_the_photons_of_the_sky_tell_the_noise(tmp_path):
    image, places = _star_and_hits(np.random.default_rng(0))
    found = find_hits(_sub(tmp_path, image, gain=0.25), _levels(0.25, known=False))
    assert set(places) <= set(found.tolist())
    y, x = np.divmod(found, 128)
    assert (np.hypot(y - 64, x - 64) > 10).all()
    # beside a hit a neighbour may be taken along, elsewhere hardly anything
    apart = np.abs(y[:, None] - np.divmod(places, 128)[0]) <= 1
    apart &= np.abs(x[:, None] - np.divmod(places, 128)[1]) <= 1
    assert (~apart.any(axis=1)).sum() <= 2


def test_undefined_and_saturated_pixels_are_no_hits(tmp_path):
    image, places = _star_and_hits(np.random.default_rng(1))
    bad = np.zeros(image.shape, bool)
    bad[64, 64] = bad[np.divmod(places[0], 128)] = bad[100:110, 10:20] = True
    image[np.divmod(places[2], 128)] = 60000
    sub = _sub(tmp_path, image, bad=bad, saturation_adu=60000)
    found = find_hits(sub, _levels())
    assert set(places) & set(found.tolist()) == {places[1]}
    assert not bad.reshape(-1)[found].any()
    y, x = np.divmod(found, 128)
    assert (np.hypot(y - 64, x - 64) > 10).all()


def test_bands_find_what_the_whole_does(tmp_path, monkeypatch):
    rng = np.random.default_rng(2)
    image = rng.poisson(SKY_E, (300, 200)) + rng.normal(0, READ_E, (300, 200))
    image[rng.integers(0, 300, 40), rng.integers(0, 200, 40)] += 1500
    sub = _sub(tmp_path, image)
    whole = find_hits(sub, _levels())
    monkeypatch.setattr(cosmics, "_BAND_PIXELS", 1)
    banded = find_hits(sub, _levels(), jobs=2)
    assert whole.size >= 39
    np.testing.assert_array_equal(banded, whole)


def test_cleaned_rows_are_undefined_at_hits(tmp_path):
    image, places = _star_and_hits(np.random.default_rng(3))
    source = _sub(tmp_path, image)
    cleaned = CleanedRows(source, np.array(places))
    rows = cleaned.rows(0, 120)
    assert np.flatnonzero(np.isnan(rows)).tolist() == places
    assert np.isnan(cleaned.rows(74, 97)).sum() == 2
    assert np.isfinite(cleaned.rows(75, 96)).all()
    assert cleaned.shape == source.shape
