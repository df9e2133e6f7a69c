import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from stackbench.registration.gaps import MISSING_LIMIT
from stackbench.registration.lanczos import noise_factor, tap_weights
from stackbench.registration.placement import Rectangle, place, source_window
from stackbench.registration.resampling import resample
from tests.support.subs import ArrayBlocks, ArrayRows, paint_star, similarity

TURNS = [
    similarity(shift=(3.37, -2.81)),
    similarity(degrees=0.003, shift=(0.5, 0.5)),
    similarity(degrees=0.02, scale=1.0002, shift=(-4.2, 1.9)),
    similarity(degrees=-0.3, scale=0.9997, centre=(60, 60), shift=(1.3, 0.2)),
    similarity(degrees=0.3, centre=(60, 60), shift=(0.7, 0.1)),
    similarity(degrees=2.9, scale=1.002, centre=(60, 60)),
    similarity(degrees=-2.9, centre=(60, 60)),
    similarity(degrees=17, centre=(60, 60), shift=(0.3, 0.4)),
    similarity(degrees=44, centre=(60, 60), shift=(0.3, 0.4)),
    similarity(degrees=90.2, centre=(60, 60), shift=(0.3, 0.4)),
    similarity(degrees=179.8, centre=(60, 60), shift=(0.3, 0.4)),
    similarity(degrees=-91, centre=(60, 60), shift=(0.3, 0.4)),
    similarity(degrees=0.1, centre=(60, 60), mirror=True, shift=(0.3, 0.4)),
    similarity(degrees=90.1, centre=(60, 60), mirror=True, shift=(0.3, 0.4)),
    similarity(degrees=30, centre=(60, 60), mirror=True, shift=(0.3, 0.4)),
    np.array([[1.0005, 0.0008, 1.3], [-0.0011, 0.9996, -0.7], [0, 0, 1]]),
]


def whole(shape):
    return Rectangle(y0=0, y1=shape[0], x0=0, x1=shape[1])


def onto_grid(pixels, matrix, shape=None, **options):
    source = ArrayRows(pixels)
    shape = source.shape if shape is None else shape
    return resample(source, place(matrix, source.shape), whole(shape), **options)[0]


def plain_value(pixels, placement, x, y):
    """Evaluate one result in float64, tap by tap, without tables or limits."""
    seen = pixels.astype(np.float64)
    if placement.transposed:
        seen = seen.T
    if placement.flips[0]:
        seen = seen[::-1]
    if placement.flips[1]:
        seen = seen[:, ::-1]
    (a, b, c), (d, e, f) = placement.inverse
    u, v = a * x + b * y + c, d * x + e * y + f
    shear = b / e if placement.in_two_passes else 0.0
    total = 0.0
    row = int(np.floor(v))
    for j, down in zip(range(row - 2, row + 4), tap_weights(v - row), strict=True):
        at = u + shear * (j - v)
        column = int(np.floor(at))
        taps = seen[j, column - 2 : column + 4]
        total += down * (taps * tap_weights(at - column)).sum()
    return total


@pytest.mark.parametrize("matrix", TURNS)
def test_agrees_with_a_plain_evaluation_in_float64(matrix):
    rng = np.random.default_rng(1)
    pixels = rng.normal(1000, 30, (120, 121)).astype(np.float32)
    placement = place(matrix, pixels.shape)
    # Noise far above the pixels' own keeps the ringing limit out of the way.
    out = onto_grid(pixels, matrix, noise_adu=1e6)
    near = np.argwhere(np.isfinite(out))
    inverse = np.linalg.inv(matrix)
    checked = 0
    for y, x in near[rng.permutation(len(near))[:300]]:
        u, v, _ = inverse @ (x, y, 1)
        if not (6 < u < 114 and 6 < v < 113):
            continue
        # Tables step by 1/1024 px: half a step times the largest sum of the
        # weights' slopes times the noise.
        expected = plain_value(pixels, placement, x, y)
        assert out[y, x] == pytest.approx(expected, abs=5 * 30 * 2.5 / 2048 + 2e-4 * 30 + 1e-3)
        checked += 1
    assert checked > 100


@pytest.mark.parametrize("fwhm", [2.0, 2.5, 4.0])
@pytest.mark.parametrize("matrix", TURNS)
def test_a_star_keeps_its_place_and_its_flux(matrix, fwhm):
    rng = np.random.default_rng(2)
    for _ in range(3):
        x, y = 60 + rng.uniform(-2, 2, 2)
        pixels = np.zeros((120, 121))
        paint_star(pixels, x, y, fwhm=fwhm, flux=1e5)
        pixels = pixels.astype(np.float32)
        out = onto_grid(pixels, matrix).astype(np.float64)
        out = np.where(np.isfinite(out), out, 0.0)
        rows, columns = np.indices(out.shape)
        expected = matrix @ (x, y, 1)
        near = np.hypot(columns - expected[0], rows - expected[1]) < 15
        flux = out[near].sum()
        # Brightness is kept, so the flux grows with the area.
        area = abs(np.linalg.det(matrix[:2, :2]))
        assert flux == pytest.approx(pixels.sum(dtype=np.float64) * area, rel=1e-3)
        assert (out * columns)[near].sum() / flux == pytest.approx(expected[0], abs=0.01)
        assert (out * rows)[near].sum() / flux == pytest.approx(expected[1], abs=0.01)


@pytest.mark.parametrize("turn", range(4))
@pytest.mark.parametrize("mirror", [False, True])
def test_quarter_turns_and_mirrors_are_exact(turn, mirror):
    rng = np.random.default_rng(3)
    pixels = rng.normal(0, 1, (40, 57)).astype(np.float32)
    # Clockwise on rows counted downwards: (x, y) to (ny − 1 − y, x).
    expected, matrix = pixels, np.eye(3)
    if mirror:
        expected, matrix = expected[:, ::-1], np.array([[-1.0, 0, 56], [0, 1, 0], [0, 0, 1]])
    for _ in range(turn):
        step = np.array([[0.0, -1, expected.shape[0] - 1], [1, 0, 0], [0, 0, 1]])
        expected, matrix = np.rot90(expected, -1), step @ matrix
    assert_array_equal(onto_grid(pixels, matrix, expected.shape), expected)


def test_a_meridian_flip_in_numbers():
    # Derivable: x′ = N + 1 − x, y′ = M + 1 − y, both counted from 1.
    matrix = np.array([[-1.0, 0, 999], [0, -1, 799], [0, 0, 1]])
    pixels = np.zeros((800, 1000), dtype=np.float32)
    pixels[200 - 1, 100 - 1] = 1.0
    out = onto_grid(pixels, matrix)
    assert np.argwhere(out > 0.5).tolist() == [[601 - 1, 901 - 1]]


def test_a_whole_pixel_shift_is_exact_and_knows_its_borders():
    rng = np.random.default_rng(4)
    pixels = rng.normal(500, 9, (50, 60)).astype(np.float32)
    out = onto_grid(pixels, similarity(shift=(7, -3)))
    assert_array_equal(out[:47, 7:], pixels[3:, :53])
    assert np.isnan(out[47:]).all()
    assert np.isnan(out[:, :7]).all()


@pytest.mark.parametrize("degrees", [0.4, 17, 90.3, 180])
def test_the_area_outside_the_sub_is_undefined(degrees):
    pixels = np.full((100, 140), 700, dtype=np.float32)
    matrix = similarity(degrees=degrees, centre=(70, 50), shift=(20.3, 8.6))
    out = onto_grid(pixels, matrix, (160, 190))
    rows, columns = np.indices(out.shape)
    u, v, _ = np.tensordot(np.linalg.inv(matrix), [columns, rows, np.ones(out.shape)], axes=1)
    deep = (u >= 1) & (u <= 138) & (v >= 1) & (v <= 98)
    outside = (u < -0.01) | (u > 139.01) | (v < -0.01) | (v > 99.01)
    assert np.isfinite(out[deep]).all()
    assert np.isnan(out[outside]).all()
    assert_allclose(out[np.isfinite(out)], 700, rtol=2e-6)


def test_noise_shrinks_as_the_weights_say():
    # Derivable: √Σw² per axis; half a pixel in both axes gives 0.785769.
    rng = np.random.default_rng(5)
    pixels = rng.normal(1000, 10, (300, 300)).astype(np.float32)
    for shift in (0.5, 0.25):
        out = onto_grid(pixels, similarity(shift=(shift, shift)), noise_adu=10.0)
        found = np.nanstd(out.astype(np.float64))
        assert found == pytest.approx(10 * noise_factor(shift) ** 2, rel=0.02)
        assert np.nanmean(out, dtype=np.float64) == pytest.approx(1000, abs=0.15)


@pytest.mark.parametrize("degrees", [0.0, 0.2, 20])
def test_a_bad_pixel_spoils_only_its_neighbours(degrees):
    rng = np.random.default_rng(6)
    pixels = rng.normal(1000, 5, (80, 80)).astype(np.float32)
    clean = onto_grid(pixels, similarity(degrees=degrees, centre=(40, 40), shift=(0.3, 0.4)))
    pixels[40, 40] = np.nan
    matrix = similarity(degrees=degrees, centre=(40, 40), shift=(0.3, 0.4))
    out = onto_grid(pixels, matrix)
    lost = np.argwhere(np.isnan(out) & np.isfinite(clean))
    assert 1 <= len(lost) <= 9
    assert np.hypot(*(lost - (40.4, 40.3)).T).max() < 1.6
    # Elsewhere the pixel carried a tenth of the weight at most.
    change = np.abs(out - clean)[np.isfinite(out)]
    assert change.max() <= MISSING_LIMIT * 30
    assert (change > 1e-3).sum() < 60


def test_a_bad_pixel_beside_a_star_does_not_change_far_pixels():
    pixels = np.zeros((60, 60))
    paint_star(pixels, 30.2, 30.4, fwhm=3, flux=1e5)
    pixels = pixels.astype(np.float32)
    matrix = similarity(shift=(0.4, 0.3))
    clean = onto_grid(pixels, matrix)
    holed = pixels.copy()
    holed[31, 33] = np.inf
    out = onto_grid(holed, matrix)
    kept = np.isfinite(out) & np.isfinite(clean)
    assert np.abs(out - clean)[kept].max() < 0.02 * pixels.max()
    assert (np.isfinite(clean) & ~np.isfinite(out)).sum() in range(1, 10)


def test_bad_columns_and_holes_leave_no_trace_of_their_filling():
    pixels = np.full((90, 90), 1000, dtype=np.float32)
    pixels[:, 20:22] = np.nan
    pixels[50:70, 50:75] = np.nan
    out = onto_grid(pixels, similarity(degrees=0.5, centre=(45, 45), shift=(0.3, 0.7)))
    assert np.isnan(out[60, 60])
    assert_allclose(out[np.isfinite(out)], 1000, rtol=1e-5)


def test_a_sub_of_nothing_but_bad_pixels_is_undefined():
    out = onto_grid(np.full((40, 40), np.nan), similarity(shift=(0.2, 0.2)))
    assert np.isnan(out).all()


@pytest.mark.parametrize("degrees", [0.0, 0.3, 20])
def test_undershoot_beside_a_hot_pixel_is_limited(degrees):
    # Without a limit the lobes of Lanczos-3 reach −0.135 / 0.994 of the pixel
    # in one axis and −0.21 of the brightest result where both axes meet.
    pixels = np.full((60, 60), 1000.0, dtype=np.float32)
    pixels[30, 30] += 10000
    deepest = 0.0
    for shift in np.arange(0, 1, 0.1):
        matrix = similarity(degrees=degrees, centre=(30, 30), shift=(shift, 0.5))
        out = onto_grid(pixels, matrix, noise_adu=0.0)
        deepest = min(deepest, np.nanmin(out) - 1000)
    assert -0.06 * 10000 < deepest < 0


def test_the_limit_leaves_the_sky_noise_alone():
    rng = np.random.default_rng(7)
    pixels = rng.normal(0, 10, (400, 400)).astype(np.float32)
    matrix = similarity(degrees=0.4, centre=(200, 200))
    free = onto_grid(pixels, matrix, noise_adu=1e6)
    limited = onto_grid(pixels, matrix, noise_adu=10.0)
    there = np.isfinite(free)
    assert (free[there] != limited[there]).mean() < 1e-3
    assert (limited - free)[there].mean(dtype=np.float64) < 1e-3


def test_scale_and_offset():
    rng = np.random.default_rng(8)
    pixels = rng.normal(300, 10, (60, 70)).astype(np.float32)
    for degrees in (0.2, 20):
        matrix = similarity(degrees=degrees, centre=(30, 30))
        plain = onto_grid(pixels, matrix, noise_adu=10.0)
        scaled = onto_grid(pixels, matrix, noise_adu=10.0, scale=1.7, offset=-40.0)
        assert_allclose(scaled, plain * 1.7 - 40, rtol=1e-5)


@pytest.mark.parametrize(
    "matrix",
    [
        similarity(degrees=0.11, scale=1.0001, shift=(3.2, 1.7)),
        similarity(degrees=180.02, centre=(600, 100)),
        similarity(degrees=2.5, centre=(600, 100)),
        similarity(degrees=90.4, centre=(600, 100)),
        similarity(degrees=12, centre=(600, 100)),
    ],
)
def test_bits_do_not_depend_on_the_rectangle(matrix):
    rng = np.random.default_rng(9)
    pixels = rng.normal(1000, 30, (210, 1200)).astype(np.float32)
    pixels[rng.random(pixels.shape) < 2e-3] = np.nan
    placement = place(matrix, pixels.shape)
    at_once = onto_grid(pixels, matrix)
    for source in (ArrayRows(pixels), ArrayBlocks(pixels)):
        for rows, columns in ((7, 1200), (64, 1024)):
            out = np.empty_like(at_once)
            for y in range(0, 210, rows):
                for x in range(0, 1200, columns):
                    area = Rectangle(y0=y, y1=min(y + rows, 210), x0=x, x1=min(x + columns, 1200))
                    part, complete = resample(source, placement, area)
                    assert not (complete and np.isnan(part).any())
                    out[y : area.y1, x : area.x1] = part
            assert_array_equal(out, at_once)


def test_a_rectangle_outside_the_sub_reads_nothing():
    placement = place(similarity(shift=(500, 0)), (50, 60))
    assert source_window(placement, Rectangle(y0=0, y1=50, x0=0, x1=60)) is None


def test_only_the_rows_needed_are_read():
    placement = place(similarity(degrees=0.1, shift=(2.2, 1.1)), (2000, 3000))
    window = source_window(placement, Rectangle(y0=640, y1=704, x0=0, x1=3000))
    assert window is not None
    assert window.shape[0] < 64 + 16 + 3000 * np.sin(np.deg2rad(0.1)) + 3
    turned = place(similarity(degrees=90, shift=(1999, 0)), (2000, 3000))
    window = source_window(turned, Rectangle(y0=512, y1=1024, x0=512, x1=1024))
    assert window is not None
    assert max(window.shape) < 512 + 18


@pytest.mark.parametrize(
    "matrix",
    [
        np.eye(2),
        np.full((3, 3), np.nan),
        np.diag([1.0, 0.0, 1.0]),
        np.array([[1.0, 0, 0], [0, 1, 0], [1e-3, 0, 1]]),
    ],
)
def test_what_is_no_affine_transform_is_refused(matrix):
    with pytest.raises(ValueError, match=r"matrix|affine|line"):
        place(matrix, (10, 10))
