"""Second moments against sep and photutils on the same pixels, and against geometry."""

import numpy as np
import pytest
import sep
from photutils.morphology import data_properties

from stackbench.stars.moments import windowed_moments
from stackbench.stars.profile import FWHM_PER_SIGMA, eccentricity_of
from stackbench.stars.shapes import fit_shapes

A, B, ANGLE = 3.0, 2.0, 30.0
# A Gaussian of these axes: x2 = a² cos² + b² sin² and so on, derivable.
X2, Y2, XY = 7.75, 5.25, 2.165064


@pytest.fixture(scope="module")
def star():
    """Give a point-sampled Gaussian of flux 1e5, centred at (50.3, 49.6)."""
    y, x = np.indices((101, 101), dtype=float)
    c, s = np.cos(np.radians(ANGLE)), np.sin(np.radians(ANGLE))
    u, v = (x - 50.3) * c + (y - 49.6) * s, (y - 49.6) * c - (x - 50.3) * s
    return 1e5 / (2 * np.pi * A * B) * np.exp(-0.5 * ((u / A) ** 2 + (v / B) ** 2))


@pytest.fixture(scope="module")
def fitted(star):
    one = np.array([1.0])
    start = 4.0 * one
    return fit_shapes(
        star.astype(np.float32),
        50 * one,
        50 * one,
        0 * one,
        (start, 0 * one, start),
        u=0.05,
        free_u=True,
    )


def axes_of(fitted):
    """Standard deviations along the axes, from the fitted FWHM and ellipticity."""
    minor = fitted.minor_fwhm[0] / FWHM_PER_SIGMA
    return fitted.fwhm[0] ** 2 / FWHM_PER_SIGMA**2 / minor, minor


def test_outside_libraries_see_the_axes_that_were_put_in(star):
    # sep 1.4 on the same pixels, cut so low that nothing is missing; photutils 3.
    (seen,) = sep.extract(star, 1e-6, filter_kernel=None, clean=False)
    assert (seen["a"], seen["b"]) == (pytest.approx(A, abs=1e-4), pytest.approx(B, abs=1e-4))
    assert np.degrees(seen["theta"]) == pytest.approx(ANGLE, abs=1e-3)
    assert (seen["x2"], seen["y2"]) == (pytest.approx(X2, abs=1e-3), pytest.approx(Y2, abs=1e-3))
    assert seen["xy"] == pytest.approx(XY, abs=1e-3)
    # √(1 − (b/a)²) and 2 √(ln 2 (a² + b²)), as photutils' SourceCatalog defines them.
    properties = data_properties(star)
    assert float(properties.eccentricity) == pytest.approx(np.sqrt(5) / 3, abs=1e-4)
    assert properties.fwhm.value == pytest.approx(6.003637, abs=1e-4)


def test_fitted_axes_agree_with_both(fitted):
    major, minor = axes_of(fitted)
    assert (major, minor) == (pytest.approx(A, rel=2e-3), pytest.approx(B, rel=2e-3))
    assert eccentricity_of(fitted.chi)[0] == pytest.approx(np.sqrt(5) / 3, abs=1e-3)
    # The moments' FWHM takes the mean of the squared axes, ours their geometric mean.
    assert 2 * np.sqrt(np.log(2) * (major**2 + minor**2)) == pytest.approx(6.003637, rel=2e-3)
    assert fitted.fwhm[0] == pytest.approx(FWHM_PER_SIGMA * np.sqrt(A * B), rel=2e-3)


def test_windowed_tensor_agrees_with_sep(star):
    # cxx = y2/D, cyy = x2/D, cxy = −2 xy/D, D = x2 y2 − xy² (derivable): .145833,
    # .215278, −.120281. Ours is seen through a window of 9 px, which adds 1/9² to
    # the inverse tensor.
    (seen,) = sep.extract(star, 1e-6, filter_kernel=None, clean=False)
    expected = (0.145833, 0.215278, -0.120281)
    assert (seen["cxx"], seen["cyy"], seen["cxy"]) == pytest.approx(expected, abs=1e-4)
    one = np.array([1.0])
    image = np.zeros((161, 161), np.float32)
    image[30:131, 30:131] = star
    found = windowed_moments(image, 80 * one, 80 * one, one, window_px=9.0, ring_px=28.0)
    tensor = np.array([[found.xx[0], found.xy[0]], [found.xy[0], found.yy[0]]])
    inverse = np.linalg.inv(tensor) - np.eye(2) / 9.0**2
    ours = (inverse[0, 0], inverse[1, 1], 2 * inverse[0, 1])
    assert ours == pytest.approx(expected, rel=0.01)
    assert (found.x[0] - 30, found.y[0] - 30) == (
        pytest.approx(50.3, abs=2e-3),
        pytest.approx(49.6, abs=2e-3),
    )
