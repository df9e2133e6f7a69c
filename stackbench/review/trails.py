"""Trailed subs: guiding that fails along an axis, wind, single bumps."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stackbench.frames.words import percent
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.series import Floats, begin_of, clock, end_of, stretches

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
# So many trailed subs in a row are more than a bump.
_STRETCH = 3
# From this mean resultant length on, directions of subs agree; so rarely by chance it is
# sure, and so rarely it is likely.
_AGREE = 0.8
_SURE, _CLEAR = 1e-2, 5e-2
_AXIS_WITHIN_DEG = 20.0


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


def _turned(angle_deg: float, to_grid: Floats) -> float:
    """Take a direction on the sub to the grid."""
    a = math.radians(angle_deg)
    x, y = to_grid[:2, :2] @ np.array([math.cos(a), math.sin(a)])
    return math.degrees(math.atan2(y, x)) % 180


def trail_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Look for trailed subs, and for what their directions say.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup in one night, all filters, in order of time.

    Returns
    -------
    list of Finding
        One when more of them are trailed than bad luck explains; otherwise one for
        each stretch of at least three subs, and for each single one or two,
        that stand out from the night.
    """
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
    if len(indices) >= max(3, _SHARE * len(subs)):
        return [_trailed(subs, indices, trails)]
    odd = [flag and known[n] > usual + _ABOVE_NIGHT for n, flag in enumerate(bad)]
    return [
        _trailed(subs, stretch, trails)
        if len(stretch) >= _STRETCH
        else _bump(subs, stretch, trails)
        for stretch in stretches(odd, gap=0)
    ]


def _trailed(
    subs: Sequence[Observation], indices: Sequence[int], trails: Sequence[Trail | None]
) -> Finding:
    used = [trail for n in indices if (trail := trails[n]) is not None]
    directions = np.array([trail.grid_deg for trail in used])
    agreement, chance = rayleigh_chance(directions)
    if agreement > _AGREE:
        return _common_trail(subs, indices, used, chance)
    return _wind(subs, indices, used, agreement)


def _bump(
    subs: Sequence[Observation], indices: Sequence[int], trails: Sequence[Trail | None]
) -> Finding:
    bumped = [subs[n] for n in indices]
    lengths = [trail.length_px for n in indices if (trail := trails[n]) is not None]
    worst = max(one.measures.eccentricity or 0.0 for one in bumped)
    single = len(bumped) == 1
    return Finding(
        topic=Topic.TRACKING,
        cause="bump",
        title=f"{'A single trailed sub' if single else 'Two trailed subs'} "
        f"at {clock(begin_of(bumped[0]))} UTC",
        text=f"{'One sub is' if single else 'Two subs are'} trailed while those before and after "
        "are sound: a bump, a gust, a cable that caught, or a guiding star lost for a moment.",
        evidence=(
            f"eccentricity {worst:.2f}, all stars drawn out or doubled alike",
            f"trail of about {max(lengths):.1f} px",
        ),
        confidence=Confidence.LIKELY,
        figures=(Figure(name="trail", value=max(lengths), unit="px"),),
        subs=tuple(one.path for one in bumped),
        measures=("eccentricity",),
        start=begin_of(bumped[0]),
        end=end_of(bumped[-1]),
        remedy="Nothing, if it does not come again.",
    )


def _common_trail(
    subs: Sequence[Observation], indices: Sequence[int], trails: Sequence[Trail], chance: float
) -> Finding:
    directions = np.array([trail.grid_deg for trail in trails])
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
        confidence=_confidence(axis, chance),
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


def _confidence(axis: str | None, chance: float) -> Confidence:
    if axis is not None and chance < _SURE:
        return Confidence.CERTAIN
    return Confidence.LIKELY if chance < _CLEAR else Confidence.POSSIBLE


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
        text=f"{len(indices)} of {len(subs)} subs are trailed, but in directions that change from "
        "sub to sub, as wind, a soft ground or a loose part would do.",
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
