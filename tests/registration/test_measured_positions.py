"""Places of stars as they are measured: how well they are known, and what they give."""

from pathlib import Path

import astroalign
import astropy.io.fits
import numpy as np
import pytest
import sep
from astropy.io import fits
from numpy.testing import assert_allclose

from stackbench.registration import transforms
from stackbench.registration.precision import centroid_errors
from stackbench.stars.quality import measure_frame
from tests.support.fields import placed_matrix
from tests.support.matching import match_stars
from tests.support.starpainter import Profile, add_star, scattered

SIGMA, FWHM = 1.5, 2.3548200450 * 1.5
GAUSSIAN = Profile(fwhm=FWHM).density
SHAPE = (480, 640)


def apart(count=110):
    """Places at random, none near another."""
    x, y = scattered(np.random.default_rng(6), count=count, shape=SHAPE, apart=30, margin=25)
    return np.column_stack([x, y])


def painted(places, fluxes, *, sky=100.0):
    image = np.full(SHAPE, sky)
    for (x, y), flux in zip(places, fluxes, strict=True):
        add_star(image, GAUSSIAN, x=x, y=y, flux=flux, radius=12)
    return image


def measured(image):
    stars = measure_frame(image.astype(np.float32)).stars
    return np.column_stack([stars.x, stars.y]), stars.flux


def paired(places, found):
    """Return found places in the order of the true ones, NaN for those not found."""
    away = np.hypot(*(places[:, None] - found[None]).transpose(2, 0, 1))
    nearest = away.argmin(axis=1)
    result = found[nearest].copy()
    result[away.min(axis=1) > 1] = np.nan
    return result


def test_photon_limit_of_the_formula():
    # σ/√N = 1.5/√4000 = 0.02372 px for points, 0.02415 px with the pixels' own 1/12
    # px²; a simulated centre of mass gave 0.02414 (both derivable; Thompson, Larson &
    # Webb 2002, Biophys. J. 82, 2775, from memory).
    recorded = 2.3548200450 * np.sqrt(SIGMA**2 + 1 / 12)
    found = centroid_errors(
        [4000.0], fwhm_px=recorded, noise_adu=1e-9, gain_e_per_adu=1.0, floor_px=0.0
    )
    assert found[0] == pytest.approx(0.02415, abs=1e-5)
    assert found[0] == pytest.approx(np.sqrt((SIGMA**2 + 1 / 12) / 4000))
    assert SIGMA / np.sqrt(4000) == pytest.approx(0.02372, abs=1e-5)


@pytest.mark.parametrize("snr", [20, 60])
def test_measured_places_scatter_by_what_the_background_allows(snr):
    # √2 · σ/SNR where the background's noise leads (Thompson et al. 2002, from memory;
    # optimistic by 10 to 30 %): no measurement of unbiased places can do better.
    places, noise = apart(), 8.0
    flux = snr * noise * np.sqrt(4 * np.pi) * SIGMA
    clean = painted(places, np.full(len(places), flux))
    rng = np.random.default_rng(snr)
    errors = []
    for _ in range(6):
        found, _ = measured(clean + rng.normal(0, noise, SHAPE))
        errors.append(paired(places, found) - places)
    errors = np.array(errors)
    assert np.isfinite(errors).mean() > 0.98
    limit = np.sqrt(2) * SIGMA / snr
    assert 0.95 < np.nanstd(errors) / limit < 1.35
    told = centroid_errors([flux], fwhm_px=FWHM, noise_adu=noise, floor_px=0.0)[0]
    assert told == pytest.approx(limit, rel=0.05)
    # not shifted as a whole
    assert np.abs(np.nanmean(errors, axis=(0, 1))).max() < 4 * limit / np.sqrt(errors[..., 0].size)


def test_a_frame_is_placed_root_n_better_than_a_star():
    # σ/√n, derivable: a star of 0.05 px in each frame, n of them.
    noise, snr = 8.0, np.sqrt(2) * SIGMA / 0.05
    places = apart()
    flux = snr * noise * np.sqrt(4 * np.pi) * SIGMA
    clean = painted(places, np.full(len(places), flux))
    rng = np.random.default_rng(47)
    centre = places.mean(axis=0)
    shifts, counts = [], []
    for _ in range(12):
        (one, one_flux), (two, two_flux) = (
            measured(clean + rng.normal(0, noise, SHAPE)) for _ in range(2)
        )
        found = match_stars(one, one_flux, two, two_flux)
        shifts.append(transforms.apply(found.matrix, [centre])[0] - centre)
        counts.append(found.matched)
    assert min(counts) > 0.95 * len(places)
    expected = np.sqrt(2) * 0.05 / np.sqrt(np.mean(counts))
    # 24 numbers tell a scatter to 15 %; places are up to 30 % worse than the limit
    assert 0.6 < np.std(shifts) / expected < 1.8
    assert np.abs(shifts).max() < 0.03


def test_agrees_with_astroalign_on_the_same_pair_of_images():
    # astroalign 2.6 (Beroiz, Cabral & Sanchez 2020, Astron. Comput. 32, 100384) finds
    # and matches stars by its own code, its background and sources by sep.
    rng = np.random.default_rng(44)
    matrix = placed_matrix(
        rotation_deg=180.4, centre=(319.5, 239.5), target=(319.5 + 11.3, 239.5 - 6.2)
    )
    x, y = scattered(rng, count=70, shape=SHAPE, apart=22, margin=25)
    reference = np.column_stack([x, y])
    places = transforms.apply(transforms.invert(matrix), reference)
    fluxes = np.exp(rng.uniform(np.log(4e3), np.log(2e5), 70))
    inside = ((places > 15) & (places < np.array(SHAPE[::-1]) - 16)).all(axis=1)
    one = painted(places[inside], fluxes[inside]) + rng.normal(0, 8, SHAPE)
    two = painted(reference, fluxes) + rng.normal(0, 8, SHAPE)
    theirs, _ = astroalign.find_transform(one.astype(np.float32), two.astype(np.float32))
    ours = match_stars(*measured(one), *measured(two))
    grid = np.array([[a, b] for a in (0, 320, 639) for b in (0, 240, 479)])
    truth = transforms.apply(matrix, grid)
    assert np.linalg.norm(transforms.apply(ours.matrix, grid) - truth, axis=1).max() < 0.05
    assert np.linalg.norm(theirs(grid) - truth, axis=1).max() < 1.0
    assert_allclose(transforms.apply(ours.matrix, grid), theirs(grid), atol=1.0)


@pytest.fixture(scope="module")
def real_field():
    """Give the real field that astropy carries: a globular cluster, 300 × 300, int16."""
    folder = Path(astropy.io.fits.__file__).parent
    return fits.getdata(folder / "hdu/compressed/tests/data/m13.fits").astype(np.float32)


def test_two_halves_of_a_real_field_find_each_other(real_field):
    # Cut out of one frame, so that the truth is exact: 70 of 230 columns in common at
    # the least, one part turned by 180° (x′ = N − 1 − x), one mirrored.
    one = real_field[:, :200]
    two = real_field[:, 90:]
    turned = two[::-1, ::-1]
    mirrored = two[:, ::-1]
    to_turned = np.array([[-1.0, 0, 299], [0, -1, 299], [0, 0, 1]])
    to_mirrored = np.array([[-1.0, 0, 299], [0, 1, 0], [0, 0, 1]])
    rng = np.random.default_rng(13)
    noise = sep.Background(np.ascontiguousarray(real_field)).globalrms
    for other, truth in ((turned, to_turned), (mirrored, to_mirrored)):
        # noise of its own, or both would hold the very same numbers
        seen = np.ascontiguousarray(other) + rng.normal(0, 0.3 * noise, other.shape)
        found = match_stars(*measured(one), *measured(seen))
        corners = np.array([[90, 0], [199, 0], [90, 299], [199, 299]])
        miss = transforms.apply(found.matrix, corners) - transforms.apply(truth, corners)
        assert np.abs(miss).max() < 0.1
        assert found.matched >= 15


def test_astroalign_places_the_real_field_alike(real_field):
    one = np.ascontiguousarray(real_field[:260, :260])
    two = np.ascontiguousarray(real_field[40:, 40:][::-1, ::-1])
    theirs, _ = astroalign.find_transform(one, two, detection_sigma=4)
    ours = match_stars(*measured(one), *measured(two))
    points = np.array([[60, 60], [240, 70], [80, 230], [240, 240]])
    truth = 299 - points
    assert_allclose(theirs(points), truth, atol=0.5)
    assert_allclose(transforms.apply(ours.matrix, points), truth, atol=0.05)
