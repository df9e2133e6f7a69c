"""Faults of tracking and guiding: trails, drift of the field, dithering."""

import math
from collections.abc import Sequence

import numpy as np

from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.orientations import orientations_of
from stackbench.review.series import (
    Floats,
    begin_of,
    common_errors,
    end_of,
    fit_linear,
    hours_of,
    in_time,
)
from stackbench.review.trails import trail_findings

_LEAST_SUBS = 6
_LEAST_DITHER_PX = 2.0
# Drift is worth telling when it adds up to this much over the night, px.
_LEAST_DRIFT_PX = 6.0


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
    return [*trail_findings(ordered), *_drift(ordered), *_dither(ordered)]


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
