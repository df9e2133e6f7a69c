"""World coordinates carried to the grid: astropy.wcs is the judge."""

import math
import warnings
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial.polynomial import polyval2d
from numpy.typing import NDArray

from stackbench.export.cards import header_bytes
from stackbench.export.wcs import Polynomials, Wcs, cropped, moved, wcs_cards, wcs_from_header

_STEP = 1.5 / 3600
_TURN = math.radians(10)
# The image of 1000 × 800 pixels that all worked examples below start from:
# Greisen & Calabretta 2002, A&A 395, 1061; Calabretta & Greisen 2002, A&A
# 395, 1077 (papers from memory; numbers derived, and checked with astropy.wcs)
EXAMPLE: dict[str, Any] = {
    "NAXIS": 2,
    "NAXIS1": 1000,
    "NAXIS2": 800,
    "CTYPE1": "RA---TAN",
    "CTYPE2": "DEC--TAN",
    "CRVAL1": 83.822,
    "CRVAL2": -5.391,
    "CRPIX1": 512.0,
    "CRPIX2": 384.0,
    "CD1_1": -4.1033656376e-4,
    "CD1_2": 7.2353407361e-5,
    "CD2_1": 7.2353407361e-5,
    "CD2_2": 4.1033656376e-4,
    "RADESYS": "ICRS",
}


def _judge(header: Any) -> WCS:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        return WCS(fits.Header(header) if isinstance(header, dict) else header)


def _as_astropy(wcs: Wcs) -> WCS:
    return _judge(fits.Header.fromstring(header_bytes(wcs_cards(wcs)).decode("ascii")))


def _read(header: dict[str, Any]) -> Wcs:
    wcs = wcs_from_header(header)
    assert wcs is not None
    return wcs


def _affine(linear: list[list[float]], shift: tuple[float, float]) -> NDArray[np.float64]:
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = linear, shift
    return matrix


def _points() -> NDArray[np.float64]:
    x, y = np.meshgrid(np.linspace(0, 999, 7), np.linspace(0, 799, 5))
    return np.column_stack([x.ravel(), y.ravel()])


def _offset_arcsec(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    d_ra = (one[:, 0] - other[:, 0]) * np.cos(np.radians(one[:, 1]))
    return float(np.hypot(d_ra, one[:, 1] - other[:, 1]).max() * 3600)


def _assert_same_sky(header: dict[str, Any], matrix: NDArray[np.float64], *, tol: float) -> None:
    points = _points()
    new = points @ matrix[:2, :2].T + matrix[:2, 2]
    before = _judge(header).all_pix2world(points, 0)
    after = _as_astropy(moved(_read(header), matrix)).all_pix2world(new, 0)
    assert _offset_arcsec(before, after) < tol


def test_the_example_has_the_published_sky() -> None:
    # TAN projection, Calabretta & Greisen 2002 (from memory; worked numbers derived)
    sky = _as_astropy(_read(EXAMPLE)).all_pix2world([[100, 200], [700, 650]], 1)
    np.testing.assert_allclose(
        sky, [[83.97846435, -5.49629104], [83.76385727, -5.26824552]], atol=1e-7
    )


@pytest.mark.parametrize(
    ("matrix", "crpix", "cd_arcsec"),
    [
        # crop, first kept pixel (51, 21) counted from 1
        (_affine([[1, 0], [0, 1]], (-50, -20)), (462, 364), None),
        # mirrored in x, in y, turned by 180°
        (
            _affine([[-1, 0], [0, 1]], (999, 0)),
            (489, 384),
            [[1.477212, 0.260472], [-0.260472, 1.477212]],
        ),
        (_affine([[1, 0], [0, -1]], (0, 799)), (512, 417), None),
        (
            _affine([[-1, 0], [0, -1]], (999, 799)),
            (489, 417),
            [[1.477212, -0.260472], [-0.260472, -1.477212]],
        ),
        # binned by 2: the half-pixel rule
        (
            _affine([[0.5, 0], [0, 0.5]], (-0.25, -0.25)),
            (256.25, 192.25),
            [[-2.954423, 0.520945], [0.520945, 2.954423]],
        ),
    ],
)
def test_moved_pixels_take_their_sky_along(
    matrix: NDArray[np.float64],
    crpix: tuple[float, float],
    cd_arcsec: list[list[float]] | None,
) -> None:
    # CRPIX' = M CRPIX + t, CD' = CD M⁻¹: chain rule (derived), checked with astropy.wcs
    wcs = moved(_read(EXAMPLE), matrix)
    assert wcs.crpix == pytest.approx(crpix, abs=1e-9)
    if cd_arcsec is not None:
        np.testing.assert_allclose(np.array(wcs.cd) * 3600, cd_arcsec, atol=1e-6)
    _assert_same_sky(EXAMPLE, matrix, tol=1e-6)


def test_a_similarity_of_known_effect() -> None:
    # scale 1.01, 30°, shift (12.5, −7.25) in pixels counted from 1 (derived)
    cosine, sine = 1.01 * math.cos(math.radians(30)), 1.01 * math.sin(math.radians(30))
    linear = np.array([[cosine, -sine], [sine, cosine]])
    # the same move for pixels counted from 0
    shift = linear @ np.ones(2) + (12.5, -7.25) - 1
    wcs = moved(_read(EXAMPLE), _affine(linear.tolist(), (shift[0], shift[1])))
    assert wcs.crpix == pytest.approx((266.419057, 587.189293), abs=1e-6)
    np.testing.assert_allclose(
        np.array(wcs.cd) * 3600, [[-1.395583, -0.507951], [-0.507951, 1.395583]], atol=1e-6
    )


def test_rot90_takes_the_sky_along_with_the_pixels() -> None:
    # np.rot90 on rows counted from the top: x' = y, y' = N + 1 − x counted from 1 (derived)
    image = np.zeros((800, 1000))
    image[199, 99] = 1
    assert np.argwhere(np.rot90(image)).tolist() == [[900, 199]]
    _assert_same_sky(EXAMPLE, _affine([[0, 1], [-1, 0]], (0, 999)), tol=1e-6)


def test_a_crop_moves_crpix_only() -> None:
    wcs = cropped(_read(EXAMPLE), x=50, y=20)
    assert wcs == moved(_read(EXAMPLE), _affine([[1, 0], [0, 1]], (-50, -20)))
    assert wcs.crpix == (462, 364)


@settings(max_examples=30, deadline=None)
@given(
    angle=st.floats(-180, 180),
    scale=st.floats(0.4, 2.5),
    mirror=st.booleans(),
    shift=st.tuples(st.floats(-400, 400), st.floats(-400, 400)),
)
def test_any_similarity_keeps_the_sky(
    angle: float, scale: float, mirror: bool, shift: tuple[float, float]
) -> None:
    c, s = scale * math.cos(math.radians(angle)), scale * math.sin(math.radians(angle))
    linear = [[c, s], [s, -c]] if mirror else [[c, -s], [s, c]]
    _assert_same_sky(EXAMPLE, _affine(linear, shift), tol=1e-6)


def test_sip_is_carried_along() -> None:
    # Shupe et al. 2005, ASP Conf. 347, 491; astropy.wcs applies the polynomials
    header = {
        **EXAMPLE,
        "CTYPE1": "RA---TAN-SIP",
        "CTYPE2": "DEC--TAN-SIP",
        "A_ORDER": 3,
        "A_2_0": 2.1e-6,
        "A_0_2": -1.3e-6,
        "A_1_1": 4.0e-7,
        "A_2_1": 3.0e-10,
        "B_ORDER": 2,
        "B_2_0": -8e-7,
        "B_1_1": 2.5e-6,
        "AP_ORDER": 2,
        "AP_2_0": -2.1e-6,
        "AP_0_1": 1e-5,
        "BP_ORDER": 2,
        "BP_1_1": 3e-7,
        "BP_0_1": 2e-5,
    }
    matrix = _affine([[-0.9, 0.3], [0.25, 0.95]], (700.0, -20.0))
    plain = _judge(EXAMPLE).all_pix2world(_points(), 0)
    bent = _judge(header).all_pix2world(_points(), 0)
    assert _offset_arcsec(plain, bent) > 0.5  # there is something to carry
    _assert_same_sky(header, matrix, tol=1e-6)
    # the inverse polynomials, evaluated by numpy: M (u + f(u)) = M u + f'(M u)
    offsets = np.random.default_rng(4).uniform(-500, 500, (2, 20))
    linear = matrix[:2, :2]
    before, after = _read(header), moved(_read(header), matrix)
    np.testing.assert_allclose(
        linear @ _bent(before.inverse, offsets), _bent(after.inverse, linear @ offsets), atol=1e-9
    )


def _bent(pair: Polynomials | None, offsets: NDArray[np.float64]) -> NDArray[np.float64]:
    assert pair is not None
    coefficients = np.zeros((2, 4, 4))
    for i, polynomial in enumerate(pair):
        for powers, value in polynomial.items():
            coefficients[i][powers] = value
    bend = [polyval2d(*offsets, coefficients[i]) for i in (0, 1)]
    return offsets + np.array(bend)


def test_other_projections_keep_their_parameters() -> None:
    header = {
        **EXAMPLE,
        "CTYPE1": "RA---ZPN",
        "CTYPE2": "DEC--ZPN",
        "PV2_1": 1.0,
        "PV2_3": 40.0,
        "LONPOLE": 170.0,
    }
    assert ("PV2_3", 40.0) in _read(header).frame
    _assert_same_sky(header, _affine([[0.8, 0.1], [-0.1, 0.8]], (3, 4)), tol=1e-6)


@pytest.mark.parametrize(
    "linear",
    [
        {"CDELT1": -_STEP, "CDELT2": _STEP},
        {"CDELT1": -_STEP, "CDELT2": _STEP, "CROTA2": 25.0},
        {"CDELT1": -_STEP, "CDELT2": 1.1 * _STEP, "CROTA1": 25.0, "CROTA2": 25.0},
        {
            "CDELT1": -_STEP,
            "CDELT2": _STEP,
            "PC1_1": math.cos(_TURN),
            "PC1_2": -math.sin(_TURN),
            "PC2_1": math.sin(_TURN),
            "PC2_2": math.cos(_TURN),
        },
        {"CDELT1": -_STEP, "CDELT2": _STEP, "PC1_2": 0.1},
        {"CD1_1": -_STEP, "CD2_2": _STEP},
    ],
)
def test_every_spelling_of_the_matrix_is_understood(linear: dict[str, float]) -> None:
    header = {key: value for key, value in EXAMPLE.items() if not key.startswith("CD")}
    header |= linear
    _assert_same_sky(header, np.eye(3), tol=1e-6)


@pytest.mark.parametrize(
    "changes",
    [
        {"CTYPE1": None},
        {"CTYPE1": "RA", "CTYPE2": "DEC"},
        {"CTYPE1": "LINEAR", "CTYPE2": "LINEAR"},
        {"CTYPE1": "RA---TAN", "CTYPE2": "GLAT-TAN"},
        {"CRVAL1": "05:35:17"},
        {"CRPIX2": None},
        {"CRPIX2": math.nan},
        {"CD1_1": 0.0, "CD1_2": 0.0},
        {"CD1_1": None, "CD1_2": None, "CD2_1": None, "CD2_2": None},
        {"CPDIS1": "LOOKUP"},
    ],
)
def test_what_is_no_usable_sky_is_none(changes: dict[str, Any]) -> None:
    header = {k: v for k, v in {**EXAMPLE, **changes}.items() if v is not None}
    assert wcs_from_header(header) is None
    assert wcs_from_header({}) is None


def test_sip_without_its_coefficients_is_read_as_plain() -> None:
    wcs = _read({**EXAMPLE, "CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP"})
    assert wcs.ctype == ("RA---TAN", "DEC--TAN")
    assert wcs.forward is None


@pytest.mark.parametrize(
    "matrix",
    [
        np.zeros((3, 3)),
        np.eye(2),
        _affine([[1, 1], [1, 1]], (0, 0)),
        _affine([[1, 0], [0, 1]], (np.nan, 0)),
        np.array([[1, 0, 0], [0, 1, 0], [1e-5, 0, 1]]),
    ],
)
def test_a_transform_that_is_none_is_refused(matrix: NDArray[np.float64]) -> None:
    with pytest.raises(ValueError, match="transform"):
        moved(_read(EXAMPLE), matrix)
