"""The frames of a job as its record lists them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.pairing_words import light_notes
from stackbench.calibration.records import Serving
from stackbench.calibration.sets import evening
from stackbench.export.night import FrameEntry, Transform
from stackbench.frames.labels import label_words
from stackbench.frames.names import setup_label
from stackbench.frames.records import Kind
from stackbench.job.finding import Found
from stackbench.job.judging import JudgedGroup, JudgedSub
from stackbench.job.recipes import Ingredient
from stackbench.job.shelf import MasterShelf
from stackbench.review.observations import Observation


def frame_entries(
    found: Found,
    judged: Sequence[JudgedGroup],
    *,
    servings: Mapping[Path, Serving],
    shelf: MasterShelf,
    used: Mapping[Path, Ingredient],
    hits: Mapping[Path, int],
    seen: Mapping[Path, Observation],
) -> tuple[FrameEntry, ...]:
    """Write down every frame of a job.

    Parameters
    ----------
    found : Found
        All frames and their checksums.
    judged : sequence of JudgedGroup
        The judged lights.
    servings : mapping of Path to Serving
        What calibrates each light.
    shelf : MasterShelf
        The finished masters.
    used : mapping of Path to Ingredient
        The lights that went into stacks.
    hits : mapping of Path to int
        How many pixels cosmic rays hit, of lights in which they were looked for.
    seen : mapping of Path to Observation
        Where and how each light was taken.

    Returns
    -------
    tuple of FrameEntry
        In the order in which the frames were found.
    """
    subs = {sub.frame.path: (group, sub) for group in judged for sub in group.subs}
    entries = []
    for frame in found.frames:
        checksum = found.checksums[frame.path]
        if frame.path in subs:
            group, sub = subs[frame.path]
            serving = servings[frame.path]
            bias = shelf.get(serving.bias)
            bias_adu = bias.facts.level_adu if bias is not None else None
            entry = _light(group, sub, serving, bias_adu, used.get(frame.path), checksum)
            entry = _as_seen(entry, seen[frame.path])
            entry = replace(entry, cosmic_pixels=hits.get(frame.path))
        else:
            entry = FrameEntry(
                path=frame.path,
                kind=frame.kind.value,
                filter=frame.filter if frame.kind is Kind.FLAT else None,
                setup=setup_label(frame.setup),
                exposure_s=frame.exposure_s,
                time=frame.time,
                temperature_c=frame.temperature_c,
                sha256=checksum,
            )
        stated = found.stated.get(frame.path)
        if stated is not None:
            entry = replace(entry, by_hand=label_words(stated, frame))
        entries.append(entry)
    return tuple(entries)


def _light(
    group: JudgedGroup,
    sub: JudgedSub,
    serving: Serving,
    bias_adu: float | None,
    used: Ingredient | None,
    checksum: str,
) -> FrameEntry:
    frame, measures, verdict = sub.frame, sub.measures, sub.verdict
    matrix = sub.placement.matrix if sub.placement is not None else None
    reasons = tuple(reason.text for reason in verdict.reasons)
    return FrameEntry(
        path=frame.path,
        kind=frame.kind.value,
        filter=frame.filter,
        target=group.group.target,
        setup=setup_label(frame.setup),
        exposure_s=frame.exposure_s,
        time=frame.time,
        verdict=verdict.decision.value,
        by=verdict.by.value,
        reasons=(*reasons, verdict.note) if verdict.note else reasons,
        fwhm_px=measures.fwhm_px,
        fwhm_arcsec=measures.fwhm_arcsec,
        eccentricity=measures.eccentricity,
        elongation_deg=measures.elongation_deg,
        stars=measures.stars,
        sky_adu=measures.sky_adu,
        noise_adu=measures.noise_adu,
        transparency=measures.transparency,
        weight=used.weight if used is not None else None,
        to_grid=None if matrix is None else _rows(matrix),
        matched=measures.matched,
        rms_px=measures.rms_px,
        temperature_c=frame.temperature_c,
        is_reference=sub.sub is not None and sub.sub is group.grid,
        calibration=light_notes(frame, serving, bias_adu=bias_adu),
        warnings=tuple(problem.what for problem in serving.problems),
        sha256=checksum,
        night=None if (began := evening(frame)) is None else began.isoformat(),
    )


def _as_seen(entry: FrameEntry, seen: Observation) -> FrameEntry:
    """Add what is known of where and how a light was taken."""
    entry = replace(
        entry,
        concentration=seen.concentration,
        airmass=seen.airmass,
        ambient_temperature_c=seen.ambient_temperature_c,
        focus_position=seen.focus_position,
    )
    if seen.place is None:
        return entry
    return replace(
        entry,
        altitude_deg=seen.place.altitude_deg,
        hour_angle_deg=seen.place.hour_angle_deg,
        sun_altitude_deg=seen.place.sun_altitude_deg,
        moon_altitude_deg=seen.place.moon_altitude_deg,
    )


def _rows(matrix: NDArray[np.float64]) -> Transform:
    (a, b, c), (d, e, f), (g, h, i) = matrix.tolist()
    return (a, b, c), (d, e, f), (g, h, i)
