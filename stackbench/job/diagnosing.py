"""What the night says: observations gathered from the judged lights, and what happened."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from stackbench.calibration.overscan import trimmed_shape
from stackbench.export.lessons import FieldMapEntry
from stackbench.export.wcs import Wcs
from stackbench.frames.names import setup_label
from stackbench.frames.targets import target_key
from stackbench.frames.times import mid_exposure
from stackbench.job.judging import JudgedGroup, JudgedSub, known
from stackbench.job.places import sky_places
from stackbench.job.sky import grid_wcs
from stackbench.review.camera import CameraRecord, camera_findings
from stackbench.review.diagnosis import diagnose
from stackbench.review.findings import Finding
from stackbench.review.observations import Observation, SkyPlace
from stackbench.review.seeing import airmass_at
from stackbench.stars.records import Floats
from stackbench.stars.zones import zones_of


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetNight:
    """The lights of one target and setup, all filters, as the diagnosis sees them."""

    target: str
    setup: str
    groups: tuple[JudgedGroup, ...]
    observations: tuple[Observation, ...]


def target_nights(judged: Sequence[JudgedGroup]) -> tuple[TargetNight, ...]:
    """Gather the judged lights by target and setup.

    Parameters
    ----------
    judged : sequence of JudgedGroup
        All groups of a job.

    Returns
    -------
    tuple of TargetNight
        In the order of the groups.
    """
    by_field: dict[tuple[str, str], list[JudgedGroup]] = {}
    for group in judged:
        key = target_key(group.group.target), setup_label(group.group.setup)
        by_field.setdefault(key, []).append(group)
    frames = [sub.frame for group in judged for sub in group.subs]
    places = sky_places(frames)
    return tuple(
        TargetNight(
            target=groups[0].group.target,
            setup=setup,
            groups=tuple(groups),
            observations=_observations(groups, setup, places),
        )
        for (_, setup), groups in by_field.items()
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What the lights and the cameras say, by target and setup."""

    nights: tuple[TargetNight, ...]
    findings: tuple[Finding, ...]
    field_maps: tuple[FieldMapEntry, ...]


def diagnosis_of(judged: Sequence[JudgedGroup], cameras: Sequence[CameraRecord]) -> Diagnosis:
    """Diagnose a job's lights and cameras.

    Parameters
    ----------
    judged : sequence of JudgedGroup
        All groups of a job.
    cameras : sequence of CameraRecord
        What the calibration frames tell of the cameras.

    Returns
    -------
    Diagnosis
        What happened, and the maps of the stars' shape over the sensor of those
        targets and setups that have kept lights with stars.
    """
    nights = target_nights(judged)
    return Diagnosis(
        nights=nights,
        findings=findings_of(nights, cameras),
        field_maps=tuple(one for night in nights if (one := _field_map(night)) is not None),
    )


def findings_of(
    nights: Sequence[TargetNight], cameras: Sequence[CameraRecord]
) -> tuple[Finding, ...]:
    """Diagnose every target and camera of a job.

    Parameters
    ----------
    nights : sequence of TargetNight
        From `target_nights`.
    cameras : sequence of CameraRecord
        What the calibration frames tell of the cameras.

    Returns
    -------
    tuple of Finding
        What happened; the same finding on the lights of two targets is two. Those
        of the cameras come last.
    """
    happened = (finding for night in nights for finding in diagnose(night.observations))
    return (*happened, *camera_findings(cameras))


def _observations(
    groups: Sequence[JudgedGroup], setup: str, places: Mapping[Path, SkyPlace]
) -> tuple[Observation, ...]:
    grid = next((group.grid for group in groups if group.grid is not None), None)
    north_deg, mirrored = _north(grid_wcs(grid.frame)) if grid is not None else (None, None)
    return tuple(
        _observation(group, sub, setup, places.get(sub.frame.path), north_deg, mirrored=mirrored)
        for group in groups
        for sub in group.subs
    )


def _observation(
    group: JudgedGroup,
    sub: JudgedSub,
    setup: str,
    place: SkyPlace | None,
    north_deg: float | None,
    *,
    mirrored: bool | None,
) -> Observation:
    frame = sub.frame
    measured = None if sub.sub is None else sub.sub.measures
    airmass = frame.airmass
    if airmass is None and place is not None and place.altitude_deg > 0:
        airmass = airmass_at(place.altitude_deg)
    return Observation(
        path=frame.path,
        target=group.group.target,
        filter=frame.filter,
        setup=setup,
        time=mid_exposure(frame),
        exposure_s=frame.exposure_s,
        kept=sub.kept,
        measures=sub.measures,
        concentration=known(measured.elongation_concentration) if measured else None,
        stars=measured.stars if measured else None,
        shape=trimmed_shape(frame.trim_section, frame.layout.shape),
        scale_arcsec_px=frame.scale_arcsec_px,
        to_grid=sub.placement.matrix if sub.placement is not None else None,
        north_deg=north_deg,
        mirrored=mirrored,
        pointing=frame.pointing,
        place=place,
        airmass=airmass,
        sensor_temperature_c=frame.temperature_c,
        ambient_temperature_c=frame.ambient_temperature_c,
        focus_position=frame.focus_position,
    )


def _north(wcs: Wcs | None) -> tuple[float | None, bool | None]:
    """Tell where north lies on the grid, and whether east lies clockwise from it."""
    if wcs is None:
        return None, None
    try:
        to_pixels = np.linalg.inv(np.array(wcs.cd, dtype=np.float64))
    except np.linalg.LinAlgError:
        return None, None
    east, north = to_pixels[:, 0], to_pixels[:, 1]
    turned = north[0] * east[1] - north[1] * east[0]
    return math.degrees(math.atan2(north[1], north[0])) % 360, bool(turned < 0)


def _field_map(night: TargetNight) -> FieldMapEntry | None:
    kept = [one for one in night.observations if one.kept and one.stars is not None]
    if not kept:
        return None
    shape = kept[0].shape
    maps = [
        zones_of(one.stars, shape=shape)
        for one in kept
        if one.stars is not None and one.shape == shape
    ]
    chi = [e2 / (2 - e2) for e2 in (one.eccentricity**2 for one in maps)]
    doubled = [np.radians(2 * one.angle_deg) for one in maps]
    along = _medians([c * np.cos(a) for c, a in zip(chi, doubled, strict=True)])
    aslant = _medians([c * np.sin(a) for c, a in zip(chi, doubled, strict=True)])
    common = np.hypot(along, aslant)
    return FieldMapEntry(
        target=night.target,
        setup=night.setup,
        subs=len(maps),
        shape=shape,
        fwhm_px=_cells(_medians([one.fwhm_px for one in maps])),
        eccentricity=_cells(np.sqrt(2 * common / (1 + common))),
        angle_deg=_cells(np.degrees(np.arctan2(aslant, along)) / 2 % 180),
        count=tuple(
            tuple(int(v) for v in row) for row in np.sum([one.count for one in maps], axis=0)
        ),
    )


def _medians(values: Sequence[Floats]) -> Floats:
    """Take the median of each zone over the subs; NaN where none knows it."""
    cube = np.array(values)
    out = np.full(cube.shape[1:], np.nan)
    for place in np.ndindex(out.shape):
        finite = cube[(slice(None), *place)]
        finite = finite[np.isfinite(finite)]
        if finite.size:
            out[place] = np.median(finite)
    return out


def _cells(values: Floats) -> tuple[tuple[float | None, ...], ...]:
    return tuple(tuple(known(float(v)) for v in row) for row in values)
