"""The sky coordinates of the reference sub, carried to the grid and the crop.

A pixel moves as p' = M p + t. Whatever follows the linear part of a WCS (the
projection and its PVi_m, CRVAL, LONPOLE) sees the same intermediate
coordinates as before, so only CRPIX, CD and the SIP polynomials change.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.export.cards import Card

Matrix = tuple[tuple[float, float], tuple[float, float]]
Polynomials = tuple[Mapping[tuple[int, int], float], Mapping[tuple[int, int], float]]

_FRAME_KEYS = ("LONPOLE", "LATPOLE", "RADESYS", "EQUINOX")
# distortions by lookup table would need their tables carried along
_TABLES = ("CPDIS1", "CPDIS2", "CQDIS1", "CQDIS2", "D2IMDIS1", "D2IMDIS2")
_HIGHEST_ORDER = 9  # of a SIP polynomial


@dataclass(frozen=True, slots=True, kw_only=True)
class Wcs:
    """World coordinates of an image with two sky axes.

    `crpix` counts pixels from 1, as FITS does; `cd` is in degrees per pixel;
    `frame` holds the cards that a move of pixels leaves as they are. `forward`
    and `inverse` are the SIP polynomials A, B and AP, BP: power of u and of
    v to coefficient.
    """

    ctype: tuple[str, str]
    crval: tuple[float, float]
    crpix: tuple[float, float]
    cd: Matrix
    frame: tuple[tuple[str, str | float], ...] = ()
    forward: Polynomials | None = None
    inverse: Polynomials | None = None


def wcs_from_header(header: Mapping[str, Any]) -> Wcs | None:
    """Read the world coordinates that a header gives.

    CD, PC with CDELT, and the older CROTA2 with CDELT are understood, any
    projection, PVi_m and SIP.

    Parameters
    ----------
    header : mapping
        Keyword to value; numbers as int or float.

    Returns
    -------
    Wcs or None
        None when the header gives no usable sky coordinates, or a distortion
        by lookup table, which is not carried.

    References
    ----------
    Greisen & Calabretta 2002, A&A 395, 1061; Calabretta & Greisen 2002, A&A
    395, 1077; Shupe et al. 2005, ASP Conf. 347, 491 (SIP).
    """
    ctype = (str(header.get("CTYPE1", "")), str(header.get("CTYPE2", "")))
    crval, crpix = _pair(header, "CRVAL"), _pair(header, "CRPIX")
    cd = _linear_part(header)
    if not _are_sky_axes(ctype) or crval is None or crpix is None or cd is None:
        return None
    if any(key in header for key in _TABLES):
        return None
    sip = ctype[0].endswith("-SIP")
    frame = [(key, header[key]) for key in _FRAME_KEYS if _is_plain(header.get(key))]
    frame += [
        (key, float(header[key]))
        for key in header
        if key[:3] in ("PV1", "PV2") and key[3:4] == "_" and _is_number(header[key])
    ]
    forward = _polynomials(header, "A", "B") if sip else None
    if sip and forward is None:
        ctype = ctype[0].removesuffix("-SIP"), ctype[1].removesuffix("-SIP")
    return Wcs(
        ctype=ctype,
        crval=crval,
        crpix=crpix,
        cd=cd,
        frame=tuple(frame),
        forward=forward,
        inverse=_polynomials(header, "AP", "BP") if forward else None,
    )


def moved(wcs: Wcs, matrix: NDArray[np.float64]) -> Wcs:
    """Carry world coordinates along with the pixels.

    Parameters
    ----------
    wcs : Wcs
        Of the image before the move.
    matrix : ndarray, shape (3, 3)
        Takes an old pixel (x, y, 1), counted from 0, to the new one. Affine.

    Returns
    -------
    Wcs
        The same sky at the moved pixels, SIP polynomials included.

    Raises
    ------
    ValueError
        If `matrix` is not affine or cannot be inverted.
    """
    matrix = np.asarray(matrix, dtype=np.float64)
    if matrix.shape != (3, 3) or not np.array_equal(matrix[2], (0.0, 0.0, 1.0)):
        raise ValueError(f"not an affine transform: {matrix.tolist()}")
    linear, shift = matrix[:2, :2], matrix[:2, 2]
    if not np.isfinite(matrix).all() or abs(np.linalg.det(linear)) < 1e-12:
        raise ValueError(f"the transform cannot be inverted: {matrix.tolist()}")
    back = np.linalg.inv(linear).astype(np.float64)
    crpix = linear @ (np.array(wcs.crpix) - 1) + shift + 1
    return replace(
        wcs,
        crpix=(float(crpix[0]), float(crpix[1])),
        cd=_matrix(np.array(wcs.cd) @ back),
        forward=_moved_polynomials(wcs.forward, linear, back),
        inverse=_moved_polynomials(wcs.inverse, linear, back),
    )


def cropped(wcs: Wcs, *, x: int, y: int) -> Wcs:
    """Carry world coordinates to a crop of the image.

    Parameters
    ----------
    wcs : Wcs
        Of the whole image.
    x, y : int
        The first column and row that are kept, counted from 0.

    Returns
    -------
    Wcs
        Of the crop.
    """
    return replace(wcs, crpix=(wcs.crpix[0] - x, wcs.crpix[1] - y))


def wcs_cards(wcs: Wcs) -> list[Card]:
    """Write world coordinates as header cards.

    Parameters
    ----------
    wcs : Wcs
        The coordinates.

    Returns
    -------
    list of (keyword, value, comment)
        The cards of a WCS with a CD matrix.
    """
    cards: list[Card] = [("WCSAXES", 2, "")]
    for i in (0, 1):
        n = i + 1
        cards += [
            (f"CTYPE{n}", wcs.ctype[i], ""),
            (f"CUNIT{n}", "deg", ""),
            (f"CRVAL{n}", wcs.crval[i], ""),
            (f"CRPIX{n}", wcs.crpix[i], "counted from 1"),
            (f"CD{n}_1", wcs.cd[i][0], ""),
            (f"CD{n}_2", wcs.cd[i][1], ""),
        ]
    cards += [(key, value, "") for key, value in wcs.frame]
    for names, pair in ((("A", "B"), wcs.forward), (("AP", "BP"), wcs.inverse)):
        for name, polynomial in zip(names, pair or ({}, {}), strict=True):
            if pair:
                order = max((p + q for p, q in polynomial), default=0)
                cards.append((f"{name}_ORDER", max(order, 1), ""))
            cards += [(f"{name}_{p}_{q}", c, "") for (p, q), c in sorted(polynomial.items())]
    return cards


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _is_plain(value: object) -> bool:
    return _is_number(value) or (isinstance(value, str) and value.strip() != "")


def _are_sky_axes(ctype: tuple[str, str]) -> bool:
    names = {text.split("-")[0] for text in ctype}
    return names in ({"RA", "DEC"}, {"GLON", "GLAT"}, {"ELON", "ELAT"}) and all(
        "-" in text for text in ctype
    )


def _pair(header: Mapping[str, Any], key: str) -> tuple[float, float] | None:
    values = header.get(f"{key}1"), header.get(f"{key}2")
    if not all(_is_number(value) for value in values):
        return None
    first, second = values
    return float(first or 0.0), float(second or 0.0)


def _matrix(array: NDArray[np.float64]) -> Matrix:
    (a, b), (c, d) = array.tolist()
    return (float(a), float(b)), (float(c), float(d))


def _linear_part(header: Mapping[str, Any]) -> Matrix | None:
    """Read the matrix from pixels to degrees (Greisen & Calabretta 2002, sections 2.1 and 6)."""
    found = _elements(header, "CD", default=((0.0, 0.0), (0.0, 0.0)))
    step = _pair(header, "CDELT")
    if found is None and step is not None:
        turn = _elements(header, "PC", default=((1.0, 0.0), (0.0, 1.0)))
        if turn is None:
            angle = math.radians(header["CROTA2"]) if _is_number(header.get("CROTA2")) else 0.0
            ratio = step[1] / step[0] if step[0] else 0.0
            turn = np.array(
                [
                    [math.cos(angle), -math.sin(angle) * ratio],
                    [math.sin(angle) / ratio if ratio else 0.0, math.cos(angle)],
                ]
            )
        found = np.array(step)[:, None] * turn
    if found is None or not np.isfinite(found).all() or np.linalg.det(found) == 0:
        return None
    return _matrix(found)


def _elements(
    header: Mapping[str, Any], key: str, *, default: Matrix
) -> NDArray[np.float64] | None:
    names = [[f"{key}{i}_{j}" for j in (1, 2)] for i in (1, 2)]
    if not any(_is_number(header.get(name)) for row in names for name in row):
        return None
    return np.array(
        [
            [
                float(header[name]) if _is_number(header.get(name)) else default[i][j]
                for j, name in enumerate(row)
            ]
            for i, row in enumerate(names)
        ]
    )


def _polynomials(header: Mapping[str, Any], *names: str) -> Polynomials | None:
    found = []
    for name in names:
        if not _is_number(header.get(f"{name}_ORDER")):
            return None
        order = min(int(header[f"{name}_ORDER"]), _HIGHEST_ORDER)
        found.append(
            {
                (p, q): float(header[f"{name}_{p}_{q}"])
                for p in range(order + 1)
                for q in range(order + 1 - p)
                if _is_number(header.get(f"{name}_{p}_{q}"))
            }
        )
    return found[0], found[1]


def _moved_polynomials(
    pair: Polynomials | None, linear: NDArray[np.float64], back: NDArray[np.float64]
) -> Polynomials | None:
    """Turn f(u) into M f(M⁻¹ u'), a polynomial of the same order in u'."""
    if pair is None:
        return None
    first, second = (_substituted(polynomial, back) for polynomial in pair)
    keys = sorted(set(first) | set(second))
    mixed = [
        {key: float(row[0] * first.get(key, 0.0) + row[1] * second.get(key, 0.0)) for key in keys}
        for row in linear
    ]
    return mixed[0], mixed[1]


def _substituted(
    polynomial: Mapping[tuple[int, int], float], back: NDArray[np.float64]
) -> dict[tuple[int, int], float]:
    """Put u = a u' + b v', v = c u' + d v' into a polynomial."""
    (a, b), (c, d) = back.tolist()
    result: dict[tuple[int, int], float] = {}
    for (p, q), coefficient in polynomial.items():
        # (a u' + b v')^p (c u' + d v')^q as coefficients of u'^i v'^(p+q-i)
        terms = np.array([coefficient])
        for factor in [(a, b)] * p + [(c, d)] * q:
            terms = np.convolve(terms, factor)
        for i, term in enumerate(terms.tolist()):
            key = (p + q - i, i)
            result[key] = result.get(key, 0.0) + term
    return result
