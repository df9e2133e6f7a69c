import threading

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stackbench.frames.work import Cancelled
from stackbench.rejection.methods import Method, Rejection
from stackbench.stacking import tiles
from stackbench.stacking.engine import stack_subs
from stackbench.stacking.prediction import predict_noise
from stackbench.stacking.records import StackInput
from stackbench.stacking.scaling import scale_to_reference
from stackbench.stacking.weights import sub_weights
from tests.support.subs import ArrayRows, similarity

SHAPE = (180, 220)
SKY, NOISE = 1000.0, 20.0
NONE = Rejection(method=Method.NONE)


def turned(degrees, rng, *, mirror=False):
    centre = np.array([SHAPE[1], SHAPE[0]]) / 2 - 0.5
    return similarity(
        degrees=degrees, centre=centre, shift=rng.uniform(-4, 4, 2), mirror=mirror
    )  # fmt: skip


def field(rng, *, stars=25, fwhm=3.0):
    """Places and fluxes of stars on the grid, apart from each other and the edge."""
    places = []
    while len(places) < stars:
        at = rng.uniform((30, 30), (SHAPE[1] - 30, SHAPE[0] - 30))
        if all(np.hypot(*(at - other)) > 16 for other in places):
            places.append(at)
    return np.array(places), 10 ** rng.uniform(4.5, 5.5, stars), fwhm


def expose(stars, matrix, rng, *, transparency=1.0, sky=SKY, noise=NOISE):
    """Simulate a sub that `matrix` would bring onto the grid."""
    places, fluxes, fwhm = stars
    sigma = fwhm / (2 * np.sqrt(2 * np.log(2)))
    image = rng.normal(sky, noise, SHAPE)
    inverse = np.linalg.inv(matrix)
    rows, columns = np.indices(SHAPE)
    for (x, y), flux in zip(places, fluxes, strict=True):
        u, v, _ = inverse @ (x, y, 1)
        shape = np.exp(-((columns - u) ** 2 + (rows - v) ** 2) / (2 * sigma**2))
        image += transparency * flux / (2 * np.pi * sigma**2) * shape
    return image.astype(np.float32)


def star_fluxes(image, stars, radius=7):
    rows, columns = np.indices(image.shape)
    fluxes = []
    for x, y in stars[0]:
        distance = np.hypot(columns - x, rows - y)
        ring = (distance > 9) & (distance < 14) & np.isfinite(image)
        fluxes.append((image - np.median(image[ring]))[distance < radius].sum(dtype=np.float64))
    return np.array(fluxes)


def inputs(images, matrices, **options):
    return [
        StackInput(source=ArrayRows(image), matrix=matrix, noise_adu=NOISE, **options)
        for image, matrix in zip(images, matrices, strict=True)
    ]


@pytest.mark.parametrize(
    ("degrees", "mirror"),
    [((0, 0.1, 180.1), False), ((0, 90, 90.2), False), ((0, 17, 0.3), False), ((0, 0.2, 1), True)],
)
def test_stars_keep_flux_and_shape(degrees, mirror):
    rng = np.random.default_rng(1)
    stars = field(rng)
    matrices = [turned(degrees[k % 3], rng, mirror=mirror and k % 3 == 1) for k in range(9)]
    images = [expose(stars, matrix, rng, noise=2.0) for matrix in matrices]
    stack = stack_subs(inputs(images, matrices), grid_shape=SHAPE, rejection=NONE)
    assert_allclose(star_fluxes(stack.data, stars), stars[1], rtol=0.01)
    # Second moments of the summed stars, cut at a radius that holds them.
    assert mean_fwhm(stack.data, stars) < 1.05 * mean_fwhm(expose(stars, np.eye(3), rng), stars)


def mean_fwhm(image, stars):
    rows, columns = np.indices(image.shape)
    widths = []
    for (x, y), flux in zip(*stars[:2], strict=True):
        if flux < 1e5:
            continue
        near = np.hypot(columns - x, rows - y) < 6
        light = (image - SKY)[near].astype(np.float64)
        spread = ((columns - x) ** 2 + (rows - y) ** 2)[near]
        widths.append(2 * np.sqrt(np.log(2) * (light * spread).sum() / light.sum()))
    return np.mean(widths)


def test_noise_is_what_is_predicted():
    rng = np.random.default_rng(2)
    matrices = [turned(angle, rng) for angle in (0, 0.05, 180, 0.3, 90, 12)]
    noises = np.array([20, 25, 20, 40, 20, 30.0])
    scales = np.array([1, 1.2, 1, 1, 1.5, 1.0])
    weights = sub_weights(noises, scales)
    subs = [
        StackInput(
            source=ArrayRows(rng.normal(SKY, noise, SHAPE)),
            matrix=matrix,
            scale=scale,
            offset=SKY - scale * SKY,
            noise_adu=noise,
            weight=weight,
        )
        for noise, matrix, scale, weight in zip(noises, matrices, scales, weights, strict=True)
    ]
    stack = stack_subs(subs, grid_shape=SHAPE, rejection=NONE)
    inner = stack.coverage == len(subs)
    assert inner.mean() > 0.3
    predicted = predict_noise(subs, SHAPE)
    assert stack.data[inner].std(dtype=np.float64) == pytest.approx(predicted.pixel_adu, rel=0.03)
    assert stack.data[inner].mean(dtype=np.float64) == pytest.approx(SKY, abs=0.5)
    assert_allclose(stack.noise[inner], predicted.white_adu, rtol=1e-5)
    assert predicted.white_adu == pytest.approx(1 / np.sqrt((1 / (noises * scales) ** 2).sum()))


def test_noise_map_knows_where_subs_are_missing():
    rng = np.random.default_rng(3)
    images = [rng.normal(SKY, NOISE, SHAPE) for _ in range(4)]
    matrices = [np.eye(3), similarity(shift=(50, 0)), similarity(shift=(0, 60)), np.eye(3)]
    stack = stack_subs(inputs(images, matrices), grid_shape=SHAPE, rejection=NONE)
    assert_array_equal(np.unique(stack.coverage), [2, 3, 4])
    assert_allclose(stack.noise, NOISE / np.sqrt(stack.coverage), rtol=1e-5)
    assert (stack.coverage[:60, :50] == 2).all()
    assert (stack.coverage[60:, 50:] == 4).all()
    assert not stack.clip_low.any()


@pytest.mark.parametrize(("noises", "true"), [((5, 5, 5), 3.349), ((5, 5, 20), 4.51)])
def test_noise_of_a_median_is_its_own(noises, true):
    # σ of the median of three normal values: 0.6698 σ where they are alike (Kendall &
    # Stuart, from memory); the other simulated, 4 million draws.
    rng = np.random.default_rng(4)
    images = [rng.normal(SKY, sigma, SHAPE) for sigma in noises]
    subs = [
        StackInput(
            source=ArrayRows(image.astype(np.float32)), matrix=np.eye(3), noise_adu=sigma,
            weight=1 / sigma**2,
        )
        for image, sigma in zip(images, noises, strict=True)
    ]  # fmt: skip
    median = Rejection(method=Method.MEDIAN)
    stack = stack_subs(subs, grid_shape=SHAPE, rejection=median)
    assert stack.data.std() == pytest.approx(true, rel=0.02)
    # of values of very different noise it is an estimate, not below the truth
    alike = len(set(noises)) == 1
    assert np.median(stack.noise) == pytest.approx(true, rel=0.01 if alike else 2)
    assert np.median(stack.noise) > 0.99 * true
    predicted = predict_noise(subs, SHAPE, method=Method.MEDIAN)
    assert predicted.white_adu == pytest.approx(np.median(stack.noise), rel=1e-3)


def test_noise_of_a_median_goes_by_the_subs_that_cover_a_pixel():
    image = np.full(SHAPE, SKY)
    matrices = [np.eye(3), similarity(shift=(40, 0)), similarity(shift=(80, 0))]
    stack = stack_subs(
        inputs([image] * 3, matrices), grid_shape=SHAPE, rejection=Rejection(method=Method.MEDIAN)
    )
    for count, factor in ((1, 1.0), (2, 1.0), (3, 1.160)):
        there = stack.noise[stack.coverage == count]
        assert_allclose(there, NOISE * factor / np.sqrt(count), rtol=2e-3)


@pytest.mark.parametrize("width", [1025, 2049])
def test_a_grid_whose_last_piece_is_one_column_wide(width):
    rng = np.random.default_rng(5)
    images = [rng.normal(SKY, NOISE, (40, width)) for _ in range(3)]
    matrices = [similarity(degrees=10 * k, centre=(width / 2, 20)) for k in range(3)]
    stack = stack_subs(inputs(images, matrices), grid_shape=(40, width), rejection=NONE)
    assert stack.data.shape == (40, width)
    assert (stack.coverage[20, ::100] > 0).any()
    assert np.isfinite(stack.data[:, -1]).all()


def test_an_area_without_subs_is_undefined():
    image = np.full(SHAPE, SKY)
    stack = stack_subs(
        inputs([image] * 2, [similarity(shift=(100, 0))] * 2), grid_shape=SHAPE, rejection=NONE
    )
    assert np.isnan(stack.data[:, :100]).all()
    assert np.isnan(stack.noise[:, :100]).all()
    assert (stack.coverage[:, :100] == 0).all()
    assert_allclose(stack.data[:, 100:], SKY)


def test_trails_and_cosmic_rays_are_gone():
    rng = np.random.default_rng(4)
    stars = field(rng, stars=12)
    matrices = [turned(angle, rng) for angle in np.tile([0.0, 0.1, 180.05], 4)]
    clean = [expose(stars, matrix, rng) for matrix in matrices]
    dirty = [image.copy() for image in clean]
    rows, columns = np.indices(SHAPE)
    trail = np.abs(rows - 0.6 * columns - 20) < 1.5
    dirty[3][trail] += 800
    for image in dirty:
        hits = rng.integers(0, SHAPE[0] * SHAPE[1], 12)
        image.flat[hits] += rng.uniform(500, 30000, 12)
    rejection = Rejection(method=Method.AUTO)
    stack = stack_subs(inputs(dirty, matrices), grid_shape=SHAPE, rejection=rejection)
    assert stack.choice.rejection.method is not Method.AUTO
    truth = stack_subs(inputs(clean, matrices), grid_shape=SHAPE, rejection=rejection)
    inner = stack.coverage + stack.clip_high + stack.clip_low == len(matrices)
    excess = np.abs(stack.data - truth.data)[inner] / (NOISE / np.sqrt(len(matrices)))
    assert excess.max() < 5
    assert stack.clip_high.sum() > truth.clip_high.sum() + trail.sum() * 0.7
    assert_allclose(star_fluxes(stack.data, stars), stars[1], rtol=0.01)


def test_clouded_subs_are_scaled_before_anything_is_rejected():
    rng = np.random.default_rng(5)
    stars = field(rng)
    matrices = [turned(0.1 * k, rng) for k in range(9)]
    clearness = np.array([1, 1, 0.9, 0.6, 1, 0.8, 1, 0.7, 1.0])
    skies = SKY + 100 * np.arange(9)
    subs = []
    for matrix, clear, sky in zip(matrices, clearness, skies, strict=True):
        image = expose(stars, matrix, rng, transparency=clear, sky=sky, noise=5.0)
        scaling = scale_to_reference(
            1 / clear, reference_sky_adu=SKY, sub_sky_adu=sky, matrix=matrix
        )
        subs.append(
            StackInput(
                source=ArrayRows(image), matrix=matrix, scale=scaling.scale,
                offset=scaling.offset, noise_adu=5.0, weight=(clear / 5.0) ** 2,
            )
        )  # fmt: skip
    stack = stack_subs(subs, grid_shape=SHAPE, rejection=Rejection(method=Method.AUTO))
    assert_allclose(star_fluxes(stack.data, stars), stars[1], rtol=0.01)
    assert np.nanmedian(stack.data) == pytest.approx(SKY, abs=1.5)


@pytest.mark.parametrize("last", [180.02, 90.3])
def test_threads_and_pieces_change_no_bit(last, monkeypatch):
    rng = np.random.default_rng(6)
    shape = (300, 1100)
    matrices = [np.eye(3), similarity(degrees=0.1, shift=(1.3, 2.2))] * 2
    matrices += [similarity(degrees=last, centre=(550, 150))]
    images = [rng.normal(SKY, NOISE, shape).astype(np.float32) for _ in matrices]
    for image in images:
        image[rng.random(shape) < 1e-3] = np.nan
    subs = inputs(images, matrices)
    rejection = Rejection(method=Method.AUTO)
    once = stack_subs(subs, grid_shape=shape, rejection=rejection, jobs=1)
    monkeypatch.setattr(tiles, "AREA_PX", 1100 * 48)
    for jobs in (1, 2, 5):
        again = stack_subs(subs, grid_shape=shape, rejection=rejection, jobs=jobs)
        for name in ("data", "coverage", "clip_low", "clip_high", "noise"):
            assert_array_equal(getattr(again, name), getattr(once, name))


def test_progress_is_told_and_stopping_stops():
    rng = np.random.default_rng(7)
    subs = inputs([rng.normal(SKY, NOISE, SHAPE) for _ in range(3)], [np.eye(3)] * 3)
    told = []
    stack_subs(subs, grid_shape=SHAPE, rejection=NONE, jobs=2, tick=lambda *done: told.append(done))
    assert told == [(k + 1, len(told)) for k in range(len(told))]
    assert len(told) >= 4
    asked = threading.Event()

    def stop():
        if asked.is_set():
            return True
        asked.set()
        return False

    with pytest.raises(Cancelled):
        stack_subs(subs, grid_shape=SHAPE, rejection=NONE, stop=stop)


def test_a_reader_that_fails_ends_the_stack():
    class Broken(ArrayRows):
        def rows(self, start, stop):
            raise OSError(f"the disk is gone, rows {start} to {stop}")

    subs = inputs([np.zeros(SHAPE)] * 3, [np.eye(3)] * 3)
    subs.append(StackInput(source=Broken(np.zeros(SHAPE)), matrix=np.eye(3), noise_adu=1.0))
    with pytest.raises(OSError, match="the disk is gone"):
        stack_subs(subs, grid_shape=SHAPE, rejection=NONE, jobs=2)


def test_nothing_to_stack_is_refused():
    with pytest.raises(ValueError, match="at least one sub"):
        stack_subs([], grid_shape=SHAPE, rejection=NONE)
    sub = inputs([np.zeros(SHAPE)], [np.eye(3)])
    with pytest.raises(ValueError, match="no pixel"):
        stack_subs(sub, grid_shape=(0, 5), rejection=NONE)


@pytest.mark.parametrize(
    "options",
    [{"noise_adu": 0.0}, {"noise_adu": 1.0, "scale": 0.0}, {"noise_adu": 1.0, "weight": np.nan}],
)
def test_senseless_inputs_are_refused(options):
    with pytest.raises(ValueError, match=r"usable|above 0"):
        StackInput(source=ArrayRows(np.zeros((4, 4))), matrix=np.eye(3), **options)
