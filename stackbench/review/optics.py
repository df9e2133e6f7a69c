"""What the optics do over the field: tilt, curvature, coma, a centre that is off."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from stackbench.frames.words import percent
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.orientations import orientations_of
from stackbench.review.series import Floats, fit_linear, in_time
from stackbench.stars.records import StarTable

_LEAST_SUBS = 5
_LEAST_STARS = 25
# A change of FWHM from edge to edge, or from centre to corner, that is worth
# telling, as a share of FWHM (common practice, no source).
_LEAST_TILT = 0.12
_LEAST_CURVATURE = 0.15
_LEAST_COMA = 0.12
_SIGNIFICANT = 6.0
# Subs must show the same pattern: it turns over with a flip no more than the chip does.
_LEAST_AGREEMENT = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPattern:
    """How FWHM and elongation change over the field of one sub, or of many.

    FWHM relative to that in the middle is 1 + tilt·(u, v) + curvature·ρ², with u
    and v from −1/2 to 1/2 across the frame and ρ = 1 in the corners. `radial`
    is the mean of what ellipticity e²/(2 − e²) the stars have towards (above 0) or
    across (below 0) the direction to the middle, per ρ. Errors are 1σ.
    """

    fwhm_px: float
    tilt: tuple[float, float]
    tilt_error: float
    curvature: float
    curvature_error: float
    radial: float
    radial_error: float
    stars: int

    @property
    def tilt_size(self) -> float:
        """The change of FWHM from edge to edge, along the steepest direction.

        Returns
        -------
        float
            As a share of FWHM.
        """
        return math.hypot(*self.tilt)


def field_pattern(sub: Observation) -> FieldPattern | None:
    """Fit how star shapes change over the field of one sub.

    Parameters
    ----------
    sub : Observation
        A sub with its stars.

    Returns
    -------
    FieldPattern or None
        None with fewer than 25 stars of known shape.
    """
    table = sub.stars
    if table is None:
        return None
    known = np.isfinite(table.fwhm_px) & np.isfinite(table.eccentricity)
    if np.count_nonzero(known) < _LEAST_STARS:
        return None
    ny, nx = sub.shape
    u, v = (table.x[known] + 0.5) / nx - 0.5, (table.y[known] + 0.5) / ny - 0.5
    fwhm = table.fwhm_px[known]
    # in pixels, so that the field is round whatever its shape
    dx, dy = u * nx, v * ny
    rho2 = (dx**2 + dy**2) / ((nx / 2) ** 2 + (ny / 2) ** 2)
    design = np.column_stack([np.ones_like(u), u, v, rho2])
    solved = _resistant_fit(design, fwhm)
    if solved is None:
        return None
    coefficients, errors = solved
    middle = float(coefficients[0])
    radial = _radial(table, known, np.sqrt(rho2), 2 * np.arctan2(dy, dx))
    if radial is None:
        return None
    return FieldPattern(
        fwhm_px=middle,
        tilt=(float(coefficients[1]) / middle, float(coefficients[2]) / middle),
        tilt_error=float(max(errors[1], errors[2])) / middle,
        curvature=float(coefficients[3]) / middle,
        curvature_error=float(errors[3]) / middle,
        radial=radial[0],
        radial_error=radial[1],
        stars=int(np.count_nonzero(known)),
    )


def _radial(
    table: StarTable, known: npt.NDArray[np.bool_], rho: Floats, towards: Floats
) -> tuple[float, float] | None:
    """Fit the ellipticity by a part that all stars share and one along the middle's direction.

    What all have in common comes from the mount, not from the optics.
    """
    e2 = table.eccentricity[known] ** 2
    ellipticity = e2 / (2 - e2)
    doubled = np.radians(2 * table.angle_deg[known])
    one, none = np.ones_like(rho), np.zeros_like(rho)
    fit = fit_linear(
        [
            np.concatenate([one, none]),
            np.concatenate([none, one]),
            np.concatenate([rho * np.cos(towards), rho * np.sin(towards)]),
        ],
        np.concatenate([ellipticity * np.cos(doubled), ellipticity * np.sin(doubled)]),
    )
    return None if fit is None else (float(fit.coefficients[2]), float(fit.errors[2]))


def common_pattern(subs: Sequence[Observation]) -> tuple[FieldPattern, float] | None:
    """Average the patterns of many subs, and tell how far they agree.

    Parameters
    ----------
    subs : sequence of Observation
        Subs of one setup.

    Returns
    -------
    tuple of FieldPattern and float, or None
        Medians over the subs, with the errors of the medians from the scatter
        between subs; and the share of the subs whose tilt points to the same
        half of the field. None with fewer than five subs that have a pattern.
    """
    found = [one for sub in subs if (one := field_pattern(sub)) is not None]
    if len(found) < _LEAST_SUBS:
        return None
    tilts = np.array([one.tilt for one in found])
    tilt = np.median(tilts, axis=0)
    count = len(found)

    def _error(values: Floats) -> float:
        # of a median: 1.25 times that of a mean
        spread = 1.4826 * float(np.median(np.abs(values - np.median(values))))
        return 1.2533 * spread / math.sqrt(count)

    curvatures = np.array([one.curvature for one in found])
    radials = np.array([one.radial for one in found])
    pattern = FieldPattern(
        fwhm_px=float(np.median([one.fwhm_px for one in found])),
        tilt=(float(tilt[0]), float(tilt[1])),
        tilt_error=max(_error(tilts[:, 0]), _error(tilts[:, 1])),
        curvature=float(np.median(curvatures)),
        curvature_error=_error(curvatures),
        radial=float(np.median(radials)),
        radial_error=_error(radials),
        stars=sum(one.stars for one in found),
    )
    return pattern, float(np.mean(tilts @ tilt > 0))


def sharpest_point(pattern: FieldPattern, shape: tuple[int, int]) -> tuple[float, float] | None:
    """Tell where in the field stars are sharpest, by tilt and curvature together.

    Parameters
    ----------
    pattern : FieldPattern
        A pattern whose FWHM grows outwards.
    shape : tuple of int
        The frame's (ny, nx).

    Returns
    -------
    tuple of float, or None
        Distance from the middle in widths and heights of the frame, u and v; None
        when it lies outside the frame.
    """
    ny, nx = shape
    corner2 = (nx / 2) ** 2 + (ny / 2) ** 2
    u, v = (
        -slope * corner2 / (2 * pattern.curvature * size**2)
        for slope, size in zip(pattern.tilt, (nx, ny), strict=True)
    )
    return (u, v) if max(abs(u), abs(v)) <= 0.5 else None


def optics_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Look for what the optics do over the field, in all subs alike.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup, all filters.

    Returns
    -------
    list of Finding
        Tilt, curvature (both together where the sharpest point lies off the
        middle) and radial elongation, as far as they are significant.
    """
    ordered = in_time(subs) or list(subs)
    kept = [one for one in ordered if one.kept] or ordered
    common = common_pattern(kept)
    if common is None:
        return []
    pattern, agreement = common
    found = []
    tilted = agreement >= _LEAST_AGREEMENT and _stands_out(
        pattern.tilt_size, pattern.tilt_error, _LEAST_TILT
    )
    curved = _stands_out(pattern.curvature, pattern.curvature_error, _LEAST_CURVATURE)
    sharpest = sharpest_point(pattern, kept[0].shape) if tilted and curved else None
    if sharpest is not None:
        found.append(_off_centre(kept, pattern, sharpest))
    else:
        if tilted:
            found.append(_tilt(kept, pattern, agreement))
        if curved:
            found.append(_curvature(kept, pattern))
    if _stands_out(abs(pattern.radial), pattern.radial_error, _LEAST_COMA):
        found.append(_elongated(kept, pattern))
    return found


def _stands_out(value: float, error: float, least: float) -> bool:
    return value > least and value > _SIGNIFICANT * error


def _resistant_fit(design: Floats, values: Floats) -> tuple[Floats, Floats] | None:
    """Fit by least squares, leaving out galaxies and blends beyond 3 scaled MAD."""
    used = np.ones(len(values), dtype=bool)
    coefficients: Floats = np.zeros(design.shape[1])
    for _ in range(10):
        if np.count_nonzero(used) < design.shape[1] + 5:
            return None
        solved, _, rank, _ = np.linalg.lstsq(design[used], values[used], rcond=1e-8)
        if rank < design.shape[1]:
            return None
        coefficients = solved.astype(np.float64)
        residuals = values - design @ coefficients
        centre = float(np.median(residuals[used]))
        limit = 3 * 1.4826 * float(np.median(np.abs(residuals[used] - centre)))
        again = np.abs(residuals - centre) <= limit
        if limit == 0 or (again == used).all():
            break
        used = again
    residuals = values[used] - design[used] @ coefficients
    variance = float(residuals @ residuals) / (np.count_nonzero(used) - design.shape[1])
    covariance = np.linalg.inv(design[used].T @ design[used]) * variance
    return coefficients, np.sqrt(np.diag(covariance))


def _side_in_words(tilt: tuple[float, float]) -> str:
    """Name the part of the frame where stars are widest; row 0 is at the bottom."""
    x, y = tilt
    size = math.hypot(x, y)
    across = ("right" if x > 0 else "left") if abs(x) > 0.38 * size else ""
    along = ("top" if y > 0 else "bottom") if abs(y) > 0.38 * size else ""
    return " ".join(word for word in (along, across) if word)


def _tilt(subs: Sequence[Observation], pattern: FieldPattern, agreement: float) -> Finding:
    side = _side_in_words(pattern.tilt)
    lay = {
        number for number, _ in orientations_of([one for one in subs if one.to_grid is not None])
    }
    turned = ", also with the field turned, so that it goes with the camera" if len(lay) > 1 else ""
    return Finding(
        topic=Topic.OPTICS,
        cause="tilt",
        title=f"Stars are {percent(pattern.tilt_size)} wider at the {side} than opposite",
        text=f"FWHM changes by {percent(pattern.tilt_size)} straight across the frame, "
        "widest at the "
        f"{side} (first row at the bottom), as a tilted sensor does.",
        evidence=(
            f"slope {percent(pattern.tilt_size)} ± {percent(pattern.tilt_error, 1)} from "
            "edge to edge, "
            f"{pattern.stars} stars of {len(subs)} subs",
            f"the same in {percent(agreement)} of the subs{turned}",
        ),
        confidence=Confidence.CERTAIN if agreement > 0.9 else Confidence.LIKELY,
        figures=(
            Figure(name="tilt", value=pattern.tilt_size, uncertainty=pattern.tilt_error),
            Figure(
                name="widest towards",
                value=math.degrees(math.atan2(pattern.tilt[1], pattern.tilt[0])) % 360,
                unit="°",
            ),
        ),
        subs=tuple(one.path for one in subs),
        measures=("fwhm_px",),
        remedy="Look for a sagging focuser or a loose adapter first; then shim or adjust the tilt "
        "of the camera a little at a time.",
    )


def _curvature(subs: Sequence[Observation], pattern: FieldPattern) -> Finding:
    return Finding(
        topic=Topic.OPTICS,
        cause="field curvature",
        title=f"Stars are {percent(pattern.curvature)} wider in the corners",
        text=f"FWHM grows by {percent(pattern.curvature)} from the middle to the corners, in all "
        "directions alike.",
        evidence=(
            f"growth {percent(pattern.curvature)} ± {percent(pattern.curvature_error, 1)} "
            "to the corners, "
            f"{pattern.stars} stars of {len(subs)} subs",
        ),
        confidence=Confidence.LIKELY,
        figures=(
            Figure(
                name="growth to the corners",
                value=pattern.curvature,
                uncertainty=pattern.curvature_error,
            ),
        ),
        subs=tuple(one.path for one in subs),
        measures=("fwhm_px",),
        remedy="Check the distance between corrector or flattener and sensor against its maker's "
        "figure, or focus on stars a third of the way out.",
    )


def _off_centre(
    subs: Sequence[Observation], pattern: FieldPattern, sharpest: tuple[float, float]
) -> Finding:
    u, v = sharpest
    away = math.hypot(u, v)
    side = _side_in_words(sharpest)
    return Finding(
        topic=Topic.OPTICS,
        cause="sharpest off the middle",
        title=f"Stars are sharpest {percent(away)} of the frame off the middle, to the {side}",
        text="FWHM grows in all directions from a point that is not the middle of the frame, as "
        "with optics out of collimation, or with a tilted sensor in a curved field.",
        evidence=(
            f"sharpest at {percent(0.5 + u)} of the width and {percent(0.5 + v)} of the height "
            "(first row at the bottom)",
            f"growth {percent(pattern.curvature)} ± {percent(pattern.curvature_error, 1)} "
            "and slope "
            f"{percent(pattern.tilt_size)} ± {percent(pattern.tilt_error, 1)}, "
            f"{pattern.stars} stars of {len(subs)} subs",
        ),
        confidence=Confidence.POSSIBLE,
        figures=(
            Figure(name="off the middle, of the width", value=u),
            Figure(name="off the middle, of the height", value=v),
        ),
        subs=tuple(one.path for one in subs),
        measures=("fwhm_px",),
        remedy="For a reflector check the collimation first; then look for a tilt of the camera.",
    )


def _elongated(subs: Sequence[Observation], pattern: FieldPattern) -> Finding:
    outward = pattern.radial > 0
    how = "towards the middle" if outward else "around the middle"
    eccentricity = math.sqrt(2 * abs(pattern.radial) / (1 + abs(pattern.radial)))
    return Finding(
        topic=Topic.OPTICS,
        cause="coma or astigmatism",
        title=f"Stars in the corners are drawn out {how}",
        text=f"Towards the corners stars are drawn out {how}, to an eccentricity of "
        f"{eccentricity:.2f}.",
        evidence=(
            f"ellipticity {pattern.radial:+.2f} ± {pattern.radial_error:.2f} in the corners, "
            f"counted along the direction to the middle, {pattern.stars} stars".replace("-", "−"),
        ),
        confidence=Confidence.LIKELY,
        figures=(
            Figure(
                name="ellipticity in the corners",
                value=pattern.radial,
                uncertainty=pattern.radial_error,
            ),
        ),
        subs=tuple(one.path for one in subs),
        measures=("eccentricity",),
        remedy="Move the corrector "
        + ("" if outward else "or flattener ")
        + "a millimetre nearer or farther and compare; for a reflector check the collimation "
        "first.",
    )
