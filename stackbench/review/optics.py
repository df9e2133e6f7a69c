"""What the optics do over the field: tilt, curvature, coma, a centre that is off."""

import math
from collections.abc import Sequence

from stackbench.frames.words import percent
from stackbench.review.fieldpattern import FieldPattern, common_pattern, sharpest_point
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.orientations import orientations_of
from stackbench.review.series import in_time

# A change of FWHM from edge to edge, or from centre to corner, that is worth
# telling, as a share of FWHM (common practice, no source).
_LEAST_TILT = 0.12
_LEAST_CURVATURE = 0.15
_LEAST_COMA = 0.12
_SIGNIFICANT = 6.0
# Subs must show the same pattern: it turns over with a flip no more than the chip does.
_LEAST_AGREEMENT = 0.8


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
            f"slope {percent(pattern.tilt_size, 1)} ± {percent(pattern.tilt_error, 1)} from "
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
            f"growth {percent(pattern.curvature, 1)} ± {percent(pattern.curvature_error, 1)} "
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
            f"growth {percent(pattern.curvature, 1)} ± {percent(pattern.curvature_error, 1)} "
            "and slope "
            f"{percent(pattern.tilt_size, 1)} ± {percent(pattern.tilt_error, 1)}, "
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
