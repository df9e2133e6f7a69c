"""One frame's measures on painted and independently drawn stars of known shape."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import galsim
import numpy as np
import pytest
from scipy.special import erf

from stackbench.stars.quality import measure_frame
from stackbench.stars.records import FrameMeasures, MeasureOptions
from tests.support.starpainter import Profile, add_star, paint_field

GOOD = Profile(fwhm=3.2, beta=3.0)
Density = Callable[[np.ndarray, np.ndarray], np.ndarray]


def _field(density: Density = GOOD.density, *, seed: int = 1, **changes) -> np.ndarray:
    settings = {
        "rng": np.random.default_rng(seed),
        "fwhm": 3.2,
        "count": 100,
        "shape": (900, 900),
        "snr": (12.0, 1000.0),
        "radius": 20.0,
    }
    return paint_field(density, **(settings | changes)).image


@pytest.fixture(scope="module")
def good() -> np.ndarray:
    return _field()


@pytest.fixture(scope="module")
def good_measures(good: np.ndarray) -> FrameMeasures:
    return measure_frame(good)


@pytest.mark.parametrize("ratio", [1.0, 0.9, 0.7, 0.5])
@pytest.mark.parametrize("fwhm", [2.0, 3.3, 8.0])
@pytest.mark.parametrize("beta", [None, 4.0, 2.5])
def test_known_shapes(beta: float | None, fwhm: float, ratio: float):
    profile = Profile(fwhm=fwhm, axis_ratio=ratio, angle_deg=130, beta=beta)
    rng = np.random.default_rng(int(10 * fwhm + 100 * ratio))
    field = paint_field(profile.density, rng=rng, fwhm=fwhm, shape=(600, 600), apart=4.5 * fwhm)
    measures = measure_frame(field.image)
    major, minor = profile.recorded_axes()
    truth = np.sqrt(max(0.0, 1 - (minor / major) ** 2))
    assert measures.fwhm_px == pytest.approx(np.sqrt(major * minor), rel=0.03)
    assert measures.eccentricity == pytest.approx(truth, abs=0.08 if ratio > 0.95 else 0.05)
    assert measures.count == 60
    assert measures.noise_adu == pytest.approx(10.0, rel=0.03)
    if ratio < 0.95:
        assert measures.elongation_deg == pytest.approx(130, abs=4)
        assert measures.elongation_concentration > 0.95
    stars = measures.stars
    nearest = np.hypot(stars.x[:, None] - field.x, stars.y[:, None] - field.y)
    assert np.median(nearest.min(axis=1)) < 0.15
    bright = stars.snr > 150
    ratio_to_truth = stars.flux / field.flux[nearest.argmin(axis=1)]
    assert np.median(ratio_to_truth[bright]) == pytest.approx(1.0, abs=0.02)
    assert (np.diff(stars.flux) <= 0).all()


def test_flux_ratio_of_two_frames_of_different_fwhm():
    fluxes = []
    for fwhm in (2.6, 5.2):
        image = np.full((700, 700), 500.0)
        places = np.random.default_rng(3)
        for y in range(50, 660, 60):
            for x in range(50, 660, 60):
                dx, dy = places.uniform(-0.5, 0.5, 2)
                density = Profile(fwhm=fwhm, beta=3.0).density
                add_star(image, density, x=x + dx, y=y + dy, flux=6e4, radius=25)
        image += np.random.default_rng(4).normal(0, 6, image.shape)
        fluxes.append(np.median(measure_frame(image.astype(np.float32)).stars.flux))
    assert fluxes[1] / fluxes[0] == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("shear", [0.0, 0.15])
@pytest.mark.parametrize(
    "drawn",
    [
        galsim.Gaussian(fwhm=2.8, flux=1.0),
        galsim.Moffat(beta=2.8, fwhm=4.2, flux=1.0),
        galsim.Kolmogorov(fwhm=3.5, flux=1.0),
    ],
    ids=["gaussian", "moffat", "kolmogorov"],
)
def test_stars_drawn_by_galsim(drawn: galsim.GSObject, shear: float):
    # galsim 2.8 draws by Fourier transform, pixel response included.
    star = drawn.shear(g1=shear, g2=0.5 * shear)
    rng = np.random.default_rng(31)
    image = rng.normal(700, 9, (704, 704))
    for y in range(40, 680, 78):
        for x in range(40, 680, 78):
            flux = 9 * 20 * np.exp(rng.uniform(np.log(20), np.log(800)))
            dx, dy = rng.uniform(-0.5, 0.5, 2)
            stamp = star.withFlux(flux).shift(dx, dy).drawImage(nx=63, ny=63, scale=1.0)
            image[y - 31 : y + 32, x - 31 : x + 32] += stamp.array
    measures = measure_frame(image.astype(np.float32))
    fine = galsim.Convolve(star, galsim.Pixel(1.0)).drawImage(
        nx=301, ny=301, scale=0.05, method="no_pixel"
    )
    inside = fine.array >= fine.array.max() / 2  # the ellipse at half maximum
    y, x = np.nonzero(inside) - np.array([[150], [150]])
    minor, major = np.linalg.eigvalsh(np.cov(x, y))
    fwhm = 0.05 * np.sqrt(4 * inside.sum() / np.pi)
    assert measures.fwhm_px == pytest.approx(fwhm, rel=0.03)
    allowed = 0.05 if shear else 0.08
    assert measures.eccentricity == pytest.approx(np.sqrt(1 - minor / major), abs=allowed)
    if shear:
        assert measures.elongation_deg == pytest.approx(np.degrees(np.arctan(0.5)) / 2, abs=2)


def test_field_of_stars_elongated_away_from_the_centre():
    # Directions cancel, eccentricity must not.
    image = np.random.default_rng(5).normal(800, 10, (900, 900))
    for y in range(60, 860, 80):
        for x in range(60, 860, 80):
            angle = np.degrees(np.arctan2(y - 450, x - 450))
            profile = Profile(fwhm=3.4, axis_ratio=0.75, angle_deg=angle, beta=3.0)
            add_star(image, profile.density, x=x + 0.3, y=y - 0.2, flux=2e4, radius=20)
    measures = measure_frame(image.astype(np.float32))
    assert measures.eccentricity == pytest.approx(np.sqrt(1 - 0.75**2), abs=0.08)
    assert measures.elongation_concentration < 0.4


@pytest.mark.parametrize("radius", [5.0, 9.0])
def test_defocused_stars_are_wide(radius: float):
    def ring(dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        r = np.hypot(dx, dy)
        return ((r < radius) & (r > 0.45 * radius)) / (np.pi * radius**2 * (1 - 0.45**2))

    measures = measure_frame(
        _field(ring, fwhm=2 * radius, count=60, snr=(15, 500), apart=4 * radius)
    )
    assert 1.4 * radius < measures.fwhm_px < 2.2 * radius
    assert measures.eccentricity < 0.3
    assert 50 <= measures.count <= 62


@pytest.mark.parametrize(("length", "least"), [(4, 0.6), (10, 0.85), (25, 0.95)])
def test_trailed_stars_are_elongated(length: int, least: float):
    # A Gaussian of σ = 1.4 px drawn out along a line, in closed form.
    sigma, c, s = 1.4, np.cos(np.radians(25)), np.sin(np.radians(25))

    def trail(dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        along, across = dx * c + dy * s, dy * c - dx * s
        ends = [erf((along + end * length) / (sigma * np.sqrt(2))) for end in (0.5, -0.5)]
        profile = np.exp(-0.5 * (across / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
        return profile * (ends[0] - ends[1]) / (2 * length)

    measures = measure_frame(_field(trail, count=60, apart=50, radius=30.0))
    assert measures.eccentricity > least
    assert measures.elongation_deg == pytest.approx(25, abs=3)
    assert measures.fwhm_px > 1.1 * 3.3
    assert measures.count > 30


@pytest.mark.parametrize("share", [0.5, 0.3])
@pytest.mark.parametrize("distance", [3.0, 7.0, 15.0])
def test_doubled_stars_are_elongated(distance: float, share: float):
    def double(dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        second = GOOD.density(dx - 0.6 * distance, dy - 0.8 * distance)
        return (1 - share) * GOOD.density(dx, dy) + share * second

    measures = measure_frame(_field(double, count=60, apart=50, radius=30.0, snr=(30, 800)))
    assert measures.eccentricity > 0.65
    assert measures.fwhm_px > 1.2 * 3.3
    assert measures.elongation_deg == pytest.approx(53.1, abs=3)
    assert measures.count == pytest.approx(60, abs=8)


def test_cloud_thins_the_count_and_then_leaves_the_shape_unknown(good_measures: FrameMeasures):
    counts = []
    for transparency in (0.3, 0.1, 0.003):
        image = _field(snr=(12 * transparency, 1000 * transparency))
        measures = measure_frame(image)
        counts.append(measures.count)
    assert good_measures.count > counts[0] > counts[1] > counts[2]
    assert counts[2] <= 3
    assert np.isnan(measures.fwhm_px)
    assert np.isnan(measures.eccentricity)


def test_hot_pixels_and_cosmic_rays_are_not_counted(good: np.ndarray, good_measures: FrameMeasures):
    rng = np.random.default_rng(41)
    image = good.copy()
    rows, columns = rng.integers(0, 900, (2, 1000))
    image[rows, columns] += rng.exponential(800, 1000).astype(np.float32) + 100
    for _ in range(150):
        x, y, angle = rng.uniform(30, 870), rng.uniform(30, 870), rng.uniform(0, np.pi)
        along = np.arange(0, rng.exponential(6) + 1, 0.5)
        j = np.round(y + along * np.sin(angle)).astype(int)
        i = np.round(x + along * np.cos(angle)).astype(int)
        inside = (i >= 0) & (i < 900) & (j >= 0) & (j < 900)
        image[j[inside], i[inside]] += rng.uniform(200, 2000)
    measures = measure_frame(image)
    # No more than the stars; one in ten of those is hit itself.
    assert good_measures.count - 15 <= measures.count <= good_measures.count + 1
    assert measures.fwhm_px == pytest.approx(good_measures.fwhm_px, rel=0.01)
    alone = np.random.default_rng(42).normal(800, 10, good.shape) + (image - good)
    assert measure_frame(alone.astype(np.float32)).count <= 6


def test_galaxies_trails_and_nebulae_are_not_counted(
    good: np.ndarray, good_measures: FrameMeasures
):
    rng = np.random.default_rng(43)
    y, x = np.indices(good.shape, dtype=float)
    extra = np.zeros(good.shape)
    for _ in range(30):
        cx, cy, turn = rng.uniform(50, 850), rng.uniform(50, 850), rng.uniform(0, np.pi)
        cut = np.s_[max(0, int(cy) - 60) : int(cy) + 60, max(0, int(cx) - 60) : int(cx) + 60]
        u = (x[cut] - cx) * np.cos(turn) + (y[cut] - cy) * np.sin(turn)
        v = ((y[cut] - cy) * np.cos(turn) - (x[cut] - cx) * np.sin(turn)) / rng.uniform(0.3, 1)
        extra[cut] += rng.uniform(40, 400) * np.exp(-np.hypot(u, v) / rng.uniform(4, 9))
    aside = (x - 450) * np.sin(0.3) - (y - 400) * np.cos(0.3)
    extra += 1500 * np.exp(-4 * np.log(2) * (aside / 4) ** 2)
    extra += 2000 * np.exp(-np.hypot((x - 300) / 150, (y - 600) / 70))
    measures = measure_frame((good + extra).astype(np.float32))
    assert good_measures.count - 12 <= measures.count <= good_measures.count + 2
    assert measures.fwhm_px == pytest.approx(good_measures.fwhm_px, rel=0.02)
    assert measures.eccentricity < 0.25


def test_saturated_stars_are_left_out(good: np.ndarray, good_measures: FrameMeasures):
    full = 1500.0
    image = np.minimum(good, np.float32(full))
    saturated = image >= full
    measures = measure_frame(image, saturated=saturated)
    assert 0 < measures.count < good_measures.count
    assert measures.stars.peak.max() < full
    assert measures.fwhm_px == pytest.approx(good_measures.fwhm_px, rel=0.02)
    # Without a mask the flat tops give them away: they do not spoil the median.
    assert measure_frame(image).fwhm_px == pytest.approx(good_measures.fwhm_px, rel=0.03)


def test_undefined_pixels_cost_few_stars(good: np.ndarray, good_measures: FrameMeasures):
    image = good.copy()
    image[np.random.default_rng(44).random(image.shape) < 0.005] = np.nan
    before = image.copy()
    measures = measure_frame(image)
    np.testing.assert_array_equal(image, before)
    assert measures.count >= good_measures.count - 3
    assert measures.fwhm_px == pytest.approx(good_measures.fwhm_px, rel=0.01)
    image[:, :450] = np.nan
    assert 0 < measure_frame(image).count < 0.7 * good_measures.count


@pytest.mark.parametrize(
    "image",
    [
        np.full((200, 200), np.nan),
        np.full((200, 200), 5.0),
        np.zeros((200, 200)),
        np.zeros((3, 3)),
        np.full((16, 300), np.nan),
        np.full((200, 200), np.inf),
    ],
    ids=["nan", "constant", "zero", "tiny", "strip", "infinite"],
)
def test_nothing_to_measure(image: np.ndarray):
    measures = measure_frame(image.astype(np.float32))
    assert measures.count == 0
    assert len(measures.stars) == 0
    assert np.isnan(measures.fwhm_px)
    assert np.isnan(measures.eccentricity)
    assert np.isnan(measures.elongation_deg)


def test_one_star_in_a_small_image_is_listed():
    image = np.random.default_rng(45).normal(100, 5, (60, 60))
    add_star(image, GOOD.density, x=30.4, y=28.7, flux=2e4, radius=20)
    measures = measure_frame(image.astype(np.float32))
    assert measures.count == 1
    assert np.isnan(measures.fwhm_px)
    assert measures.stars.x[0] == pytest.approx(30.4, abs=0.1)
    assert measures.stars.y[0] == pytest.approx(28.7, abs=0.1)


def test_the_same_frame_gives_the_same_measures(good: np.ndarray, good_measures: FrameMeasures):
    again = measure_frame(good.copy())
    np.testing.assert_array_equal(again.stars.flux, good_measures.stars.flux)
    assert again.fwhm_px == good_measures.fwhm_px


def test_threads_agree_with_one_thread(good: np.ndarray, good_measures: FrameMeasures):
    with ThreadPoolExecutor(4) as pool:
        for measures in pool.map(measure_frame, [good] * 8):
            np.testing.assert_array_equal(measures.stars.x, good_measures.stars.x)
            assert measures.fwhm_px == good_measures.fwhm_px


def test_limits_of_the_lists(good: np.ndarray):
    measures = measure_frame(good, options=MeasureOptions(max_stars=20, max_fitted=30))
    assert len(measures.stars) == 20
    assert measures.count > 90


def test_wrong_input_is_refused(good: np.ndarray):
    with pytest.raises(ValueError, match="2-D float32"):
        measure_frame(good.astype(np.float64))
    with pytest.raises(ValueError, match="shape"):
        measure_frame(good, saturated=np.zeros((3, 3), bool))
    with pytest.raises(ValueError, match="detect_snr"):
        MeasureOptions(detect_snr=20, count_snr=10)
    with pytest.raises(ValueError, match="box_px"):
        MeasureOptions(box_px=4)
