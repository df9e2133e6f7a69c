"""Guiding faults, wind, bumps, drift of the field and dithering."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackbench.frames.words import percent
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.orientations import orientations_of
from stackbench.review.series import (
    Floats,
    begin_of,
    clock,
    common_errors,
    end_of,
    fit_linear,
    hours_of,
    in_time,
    stretches,
)

_LEAST_SUBS = 6
_LEAST_STARS = 10
# Only stars this elongated have a direction worth asking for.
_POINTED = 0.25
# Directions are common when chance would line them up so less often than this.
_CHANCE = 1e-6
# A sub is trailed from this eccentricity on (axis ratio 0.85), and this much
# above what its night is like.
_TRAILED = 0.52
_ABOVE_NIGHT = 0.12
# A share of trailed subs that is more than bad luck.
_SHARE = 0.15
_AXIS_WITHIN_DEG = 20.0
_LEAST_DITHER_PX = 2.0
# Drift is worth telling when it adds up to this much over the night, px.
_LEAST_DRIFT_PX = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """In which direction a sub's stars are drawn out, and how far.

    `grid_deg` is the direction on the target's grid (from +x towards +y, 0 to
    180), `length_px` that of the trail: √12 times the root of the difference of the two
    axes' variances. `chance` is the probability of such agreement of directions
    by chance (Rayleigh test on doubled angles).
    """

    grid_deg: float
    length_px: float
    chance: float
    agreement: float


def rayleigh_chance(angles_deg: Floats) -> tuple[float, float]:
    """Test whether axes have a direction in common.

    Parameters
    ----------
    angles_deg : ndarray, shape (n,)
        Directions of axes, degrees; 0 and 180 are the same.

    Returns
    -------
    agreement : float
        Mean resultant length of the doubled angles, 0 to 1.
    chance : float
        Probability that as much comes about by chance.

    Notes
    -----
    With z = n R̄² the probability is e^−z (1 + (2z − z²)/4n − …), the first two
    terms of which are used.

    References
    ----------
    Mardia & Jupp 2000, Directional Statistics, section 6.3.1 (from memory).
    """
    n = len(angles_deg)
    if n == 0:
        return 0.0, 1.0
    doubled = np.radians(2 * angles_deg)
    agreement = float(np.hypot(np.cos(doubled).mean(), np.sin(doubled).mean()))
    z = n * agreement**2
    chance = math.exp(-z) * (1 + (2 * z - z**2) / (4 * n)) if z < 2 * n else math.exp(-z)
    return agreement, min(1.0, max(chance, math.exp(-z)))


def trail_of(sub: Observation) -> Trail | None:
    """Tell how a sub's stars are drawn out in common.

    Parameters
    ----------
    sub : Observation
        A sub with stars and place on the grid.

    Returns
    -------
    Trail or None
        None when too few stars have a direction, or the sub is not placed.
    """
    if sub.stars is None or sub.to_grid is None or sub.measures.fwhm_px is None:
        return None
    pointed = sub.stars.eccentricity > _POINTED
    if np.count_nonzero(pointed) < _LEAST_STARS:
        return None
    angles = sub.stars.angle_deg[pointed]
    agreement, chance = rayleigh_chance(angles)
    doubled = np.radians(2 * angles)
    common = math.degrees(0.5 * math.atan2(np.sin(doubled).mean(), np.cos(doubled).mean()))
    e = float(np.median(sub.stars.eccentricity[pointed]))
    # geometric mean of the axes, and their ratio, give the difference of variances
    ratio = math.sqrt(1 - e**2)
    long2 = (sub.measures.fwhm_px / 2.3548) ** 2 / ratio
    return Trail(
        grid_deg=_turned(common, sub.to_grid),
        length_px=math.sqrt(12 * long2 * e**2),
        chance=chance,
        agreement=agreement,
    )


def tracking_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Look for faults of tracking and guiding in a target's subs.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup in one night, all filters; times are needed.

    Returns
    -------
    list of Finding
        Trails, drift and dithering.
    """
    ordered = in_time(subs)
    if len(ordered) < _LEAST_SUBS:
        return []
    return [*_trails(ordered), *_drift(ordered), *_dither(ordered)]


def _turned(angle_deg: float, to_grid: Floats) -> float:
    """Take a direction on the sub to the grid."""
    a = math.radians(angle_deg)
    x, y = to_grid[:2, :2] @ np.array([math.cos(a), math.sin(a)])
    return math.degrees(math.atan2(y, x)) % 180


def _trails(subs: Sequence[Observation]) -> list[Finding]:
    known = np.array([one.measures.eccentricity or math.nan for one in subs])
    usual = float(np.nanmedian(known)) if np.isfinite(known).any() else math.nan
    trails = [trail_of(one) for one in subs]
    bad = [
        trail is not None
        and trail.chance < _CHANCE
        and (one.measures.eccentricity or 0.0) > _TRAILED
        for one, trail in zip(subs, trails, strict=True)
    ]
    indices = [n for n, flag in enumerate(bad) if flag]
    if not indices:
        return []
    if len(indices) < max(3, _SHARE * len(subs)):
        apart = all(len(stretch) == 1 for stretch in stretches(bad, gap=0))
        odd = [n for n in indices if known[n] > usual + _ABOVE_NIGHT]
        return [_bump(subs, n, trails[n]) for n in odd] if apart else []
    used = [trail for n in indices if (trail := trails[n]) is not None]
    directions = np.array([trail.grid_deg for trail in used])
    agreement, chance = rayleigh_chance(directions)
    if agreement > 0.8 and chance < 1e-2:
        return [_common_trail(subs, indices, used, directions)]
    return [_wind(subs, indices, used, agreement)]


def _bump(subs: Sequence[Observation], index: int, trail: Trail | None) -> Finding:
    one = subs[index]
    length = 0.0 if trail is None else trail.length_px
    return Finding(
        topic=Topic.TRACKING,
        cause="bump",
        title=f"A single trailed sub at {clock(begin_of(one))} UTC",
        text="One sub is trailed while those before and after are sound: a bump, a gust, a "
        "cable that caught, or a guiding star lost for a moment.",
        evidence=(
            f"eccentricity {one.measures.eccentricity:.2f}, all stars drawn out alike",
            f"trail of about {length:.1f} px",
        ),
        confidence=Confidence.LIKELY,
        figures=(Figure(name="trail", value=length, unit="px"),),
        subs=(one.path,),
        measures=("eccentricity",),
        start=begin_of(one),
        end=end_of(one),
        remedy="Nothing, if it stays a single one.",
    )


def _common_trail(
    subs: Sequence[Observation], indices: Sequence[int], trails: Sequence[Trail], directions: Floats
) -> Finding:
    doubled = np.radians(2 * directions)
    common = math.degrees(0.5 * math.atan2(np.sin(doubled).mean(), np.cos(doubled).mean())) % 180
    axis = _axis(subs[indices[0]], common)
    trailed = [subs[n] for n in indices]
    length = float(np.median([trail.length_px for trail in trails]))
    scale = trailed[0].scale_arcsec_px
    size = f"{length:.1f} px" + (f" ({length * scale:.1f}″)" if scale is not None else "")
    where = f" in {axis}" if axis else ""
    cause = {
        "right ascension": "trailed in right ascension",
        "declination": "trailed in declination",
    }
    remedy = {
        "right ascension": "Look at the right ascension drive: balance slightly east-heavy, guide "
        "with shorter exposures, or train the periodic error.",
        "declination": "Look at declination: backlash, balance, a dragging cable, or corrections "
        "to one side only where the polar error is large.",
    }
    return Finding(
        topic=Topic.TRACKING,
        cause=cause.get(axis or "", "trailed one way"),
        title=f"Stars trailed{where}: {len(indices)} of {len(subs)} subs",
        text=f"{len(indices)} of {len(subs)} subs are trailed by about {size}, all in the same "
        f"direction{f', along {axis}' if axis else ''}.",
        evidence=(
            f"trails of {size}, direction on the grid {common:.0f}° ± "
            f"{_spread_deg(directions):.0f}°",
            "all over the field alike in each sub, which optics would not do",
        ),
        confidence=Confidence.CERTAIN if axis else Confidence.LIKELY,
        figures=(
            Figure(name="trail", value=length, unit="px"),
            Figure(name="direction on the grid", value=common, unit="°"),
            Figure(name="share of subs", value=len(indices) / len(subs)),
        ),
        subs=tuple(one.path for one in trailed),
        measures=("eccentricity", "elongation_deg"),
        start=begin_of(trailed[0]),
        end=end_of(trailed[-1]),
        remedy=remedy.get(
            axis or "",
            "Find out along which axis: turn the camera by 90°, and see whether the "
            "direction turns with it.",
        ),
    )


def _axis(sub: Observation, grid_deg: float) -> str | None:
    """Name the axis of the sky along which a direction of the grid lies."""
    if sub.north_deg is None:
        return None
    from_north = abs((grid_deg - sub.north_deg + 90) % 180 - 90)
    if from_north <= _AXIS_WITHIN_DEG:
        return "declination"
    return "right ascension" if from_north >= 90 - _AXIS_WITHIN_DEG else None


def _spread_deg(directions: Floats) -> float:
    agreement, _ = rayleigh_chance(directions)
    return math.degrees(math.sqrt(max(0.0, -2 * math.log(max(agreement, 1e-12))))) / 2


def _wind(
    subs: Sequence[Observation], indices: Sequence[int], trails: Sequence[Trail], agreement: float
) -> Finding:
    length = float(np.median([trail.length_px for trail in trails]))
    trailed = [subs[n] for n in indices]
    return Finding(
        topic=Topic.TRACKING,
        cause="shaken",
        title=f"Shaken: {len(indices)} of {len(subs)} subs are trailed, each its own way",
        text="Many subs are trailed, but in directions that change from sub to sub, as wind, "
        "a soft ground or a loose part would do.",
        evidence=(
            f"trails of {length:.1f} px; their directions agree by only {percent(agreement)}",
        ),
        confidence=Confidence.LIKELY,
        figures=(
            Figure(name="trail", value=length, unit="px"),
            Figure(name="share of subs", value=len(indices) / len(subs)),
        ),
        subs=tuple(one.path for one in trailed),
        measures=("eccentricity",),
        start=begin_of(trailed[0]),
        end=end_of(trailed[-1]),
        remedy="Shield the telescope from the wind, tighten what can move, expose for less time.",
    )


def centres_of(subs: Sequence[Observation]) -> Floats:
    """Tell where the middle of each sub falls on the grid.

    Parameters
    ----------
    subs : sequence of Observation
        Placed subs.

    Returns
    -------
    ndarray, shape (n, 2)
        x and y on the grid, px.
    """
    out = np.empty((len(subs), 2))
    for index, one in enumerate(subs):
        if one.to_grid is None:
            raise ValueError(f"{one.path} has no place on the grid")
        ny, nx = one.shape
        x, y, w = one.to_grid @ np.array([(nx - 1) / 2, (ny - 1) / 2, 1.0])
        out[index] = x / w, y / w
    return out


def _placed(subs: Sequence[Observation]) -> list[Observation]:
    return [one for one in subs if one.to_grid is not None]


def _drift(subs: Sequence[Observation]) -> list[Finding]:
    """Fit the field's centre by a straight line in time, each orientation by itself."""
    placed = _placed(subs)
    if len(placed) < 2 * _LEAST_SUBS:
        return []
    hours, centres = hours_of(placed), centres_of(placed)
    numbers = np.array([number for number, _ in orientations_of(placed)])
    columns = [(numbers == number).astype(np.float64) for number in sorted(set(numbers.tolist()))]
    # the sky moves over the chip one way while the chip turns over at a flip, so
    # on the grid a flexure drifts alike on both sides
    columns.append(hours)
    slopes, errors = [], []
    for values in centres.T:
        fit = fit_linear(columns, values)
        if fit is None:
            return []
        residuals = values - np.column_stack(columns) @ fit.coefficients
        slopes.append(float(fit.coefficients[-1]))
        errors.append(float(common_errors(fit, residuals)[-1]))
    rate, error = math.hypot(*slopes), max(errors)
    total = rate * float(np.ptp(hours))
    if not (rate > 6 * error and total > _LEAST_DRIFT_PX):
        return []
    return [_drift_finding(placed, slopes, errors, total)]


def _drift_finding(
    subs: Sequence[Observation], slopes: Sequence[float], errors: Sequence[float], total: float
) -> Finding:
    one = subs[0]
    scale = one.scale_arcsec_px
    per_minute = (scale or 1.0) / 60
    unit = "″ per minute" if scale is not None else "px per minute"
    figures: tuple[Figure, ...]
    if one.north_deg is not None:
        n = math.radians(one.north_deg)
        east = math.radians(one.north_deg + (-90 if one.mirrored else 90))
        up = slopes[0] * math.cos(n) + slopes[1] * math.sin(n)
        side = slopes[0] * math.cos(east) + slopes[1] * math.sin(east)
        names, values = ("declination", "right ascension"), (up, side)
    else:
        names, values = ("x", "y"), (slopes[0], slopes[1])
    error = max(errors) * per_minute
    figures = tuple(
        Figure(name=f"drift along {name}", value=value * per_minute, uncertainty=error, unit=unit)
        for name, value in zip(names, values, strict=True)
    )
    said = " and ".join(
        f"{f.value:+.2f} {unit} along {n}" for f, n in zip(figures, names, strict=True)
    )
    return Finding(
        topic=Topic.TRACKING,
        cause="drift",
        title=f"The field drifted by {total:.0f} px over the night",
        text=f"From sub to sub the field moved steadily, {said}, in spite of guiding.".replace(
            "-", "−"
        ),
        evidence=(
            f"{said} (± {error:.2f}), by a straight line through {len(subs)} subs".replace(
                "-", "−"
            ),
        ),
        confidence=Confidence.LIKELY,
        figures=figures,
        subs=tuple(sub.path for sub in subs),
        start=begin_of(subs[0]),
        end=end_of(subs[-1]),
        remedy="Guide through the main telescope, or stiffen what holds guide scope and camera; "
        "dither well, so that the drift does not draw lines of noise.",
    )


def _dither(subs: Sequence[Observation]) -> list[Finding]:
    """Look at the steps from sub to sub: too small, and fixed patterns add up."""
    placed = _placed(subs)
    if len(placed) < 2 * _LEAST_SUBS:
        return []
    centres = centres_of(placed)
    numbers = np.array([number for number, _ in orientations_of(placed)])
    steps = [np.diff(centres[numbers == number], axis=0) for number in set(numbers.tolist())]
    lengths = np.hypot(*np.concatenate(steps).T)
    typical = float(np.median(lengths))
    if typical >= _LEAST_DITHER_PX:
        return []
    return [
        Finding(
            topic=Topic.TRACKING,
            cause="little dithering",
            title=f"Too little dithering: steps of {typical:.1f} px",
            text="From sub to sub the field moved by less than two pixels, so that hot pixels and "
            "fixed patterns fall on the same places and add up.",
            evidence=(
                f"median step {typical:.2f} px, largest {float(lengths.max()):.1f} px, "
                f"in {len(lengths)} steps",
            ),
            confidence=Confidence.CERTAIN,
            figures=(Figure(name="median step", value=typical, unit="px"),),
            subs=tuple(one.path for one in placed),
            start=begin_of(placed[0]),
            end=end_of(placed[-1]),
            remedy="Dither by 5 to 10 px in both axes, every sub or every second one.",
        )
    ]
