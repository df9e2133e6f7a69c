"""The fourth step: place every sub on the grid of its target."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench import __version__
from stackbench.frames.groups import LightGroup
from stackbench.frames.names import setup_label
from stackbench.frames.targets import target_key
from stackbench.frames.work import in_threads
from stackbench.job.bench import Bench
from stackbench.job.keys import key_of
from stackbench.job.measuring import Measured, MeasuredSub
from stackbench.job.progress import Step

# A mask, a drawing, a frame whose sky was cut away: nothing tells what it weighs.
_NOISELESS = "its background has no noise at all, as no camera's has"


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """How a sub lies on its target's grid.

    `matrix` is 3×3, from the sub's pixels to the grid's; `pairs` (k, 2) are
    indices into the star tables of the sub and of the reference. Where the
    sub could not be placed, `failure` says why and the rest is None.
    """

    matrix: NDArray[np.float64] | None = None
    pairs: NDArray[np.intp] | None = None
    rms_px: float | None = None
    failure: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """All subs of one target and setup: they share a reference and its grid.

    `groups` are its filters; `reference` is None when no sub shows stars.
    """

    groups: tuple[LightGroup, ...]
    reference: MeasuredSub | None
    placements: Mapping[Path, Placement]


def register_lights(
    bench: Bench, groups: Sequence[LightGroup], measured: Measured
) -> tuple[Field, ...]:
    """Place every measured sub on the grid of its target and setup.

    Parameters
    ----------
    bench : Bench
        The job's bench.
    groups : sequence of LightGroup
        The lights by target, setup and filter.
    measured : Measured
        The measured lights.

    Returns
    -------
    tuple of Field
        One per target and setup, in the order of the groups.
    """
    by_field: dict[tuple[str, str], list[LightGroup]] = {}
    for group in groups:
        key = (target_key(group.target), setup_label(group.setup))
        by_field.setdefault(key, []).append(group)
    bench.progress.begin(Step.REGISTER, len(measured.subs))
    fields = tuple(_register(bench, tuple(members), measured) for members in by_field.values())
    bench.progress.end(Step.REGISTER)
    return fields


def _register(bench: Bench, groups: tuple[LightGroup, ...], measured: Measured) -> Field:
    subs = [
        measured.subs[light.path]
        for group in groups
        for light in group.frames
        if light.path in measured.subs
    ]
    noiseless = {sub.frame.path for sub in subs if sub.measures.noise_adu == 0}
    reference = best_sub([sub for sub in subs if sub.frame.path not in noiseless])
    placements: dict[Path, Placement] = {}
    missing: list[MeasuredSub] = []
    for sub in subs:
        if sub.frame.path in noiseless:
            placements[sub.frame.path] = Placement(failure=_NOISELESS)
            continue
        if reference is None:
            placements[sub.frame.path] = Placement(failure="no sub of this target shows stars")
            continue
        known = bench.store.recall("placement", _key(bench, sub, reference))
        if known is None:
            missing.append(sub)
        else:
            placements[sub.frame.path] = _unpacked(*known)
    bench.progress.advance(Step.REGISTER, len(subs) - len(missing))
    if missing and reference is not None:
        for sub, placement in zip(missing, _place(bench, missing, reference), strict=True):
            bench.store.keep("placement", _key(bench, sub, reference), *_packed(placement))
            placements[sub.frame.path] = placement
    return Field(groups=groups, reference=reference, placements=placements)


def _place(bench: Bench, subs: Sequence[MeasuredSub], reference: MeasuredSub) -> list[Placement]:
    from stackbench.registration.matching import match_to_reference
    from stackbench.registration.reference_stars import prepare_reference
    from stackbench.registration.starlists import NoMatch

    def _positions(sub: MeasuredSub) -> NDArray[np.float64]:
        return np.column_stack([sub.measures.stars.x, sub.measures.stars.y])

    try:
        prepared = prepare_reference(
            _positions(reference),
            reference.measures.stars.flux,
            sigma_px=_centroid_errors(reference),
        )
    except NoMatch as error:
        return [Placement(failure=str(error))] * len(subs)

    def _place_one(sub: MeasuredSub) -> Placement:
        if sub is reference:
            count = len(sub.measures.stars)
            same = np.arange(count, dtype=np.intp)
            return Placement(matrix=np.eye(3), pairs=np.column_stack([same, same]), rms_px=0.0)
        try:
            match = match_to_reference(
                _positions(sub),
                sub.measures.stars.flux,
                prepared,
                model=bench.settings.registration.model,
                sigma_px=_centroid_errors(sub),
            )
        except NoMatch as error:
            return Placement(failure=str(error))
        return Placement(matrix=match.matrix, pairs=match.pairs, rms_px=match.rms_px)

    return in_threads(
        _place_one,
        subs,
        threads=bench.threads,
        stop=bench.stop,
        tick=lambda: bench.progress.advance(Step.REGISTER),
    )


def _centroid_errors(sub: MeasuredSub) -> NDArray[np.float64] | None:
    """Tell how well the stars' places are known, px; None without a star's width."""
    from stackbench.registration.precision import centroid_errors

    measures = sub.measures
    if not np.isfinite(measures.fwhm_px):
        return None
    return centroid_errors(
        measures.stars.flux,
        fwhm_px=measures.fwhm_px,
        noise_adu=measures.noise_adu,
        gain_e_per_adu=sub.frame.egain_e_per_adu,
    )


def best_sub(subs: Sequence[MeasuredSub]) -> MeasuredSub | None:
    """Choose the sub that others are compared with.

    Decisions by hand have no part in this: what is compared must stay when
    one of them changes.

    Parameters
    ----------
    subs : sequence of MeasuredSub
        The candidates.

    Returns
    -------
    MeasuredSub or None
        The one with many sharp, round stars; None when none shows stars.
    """
    from stackbench.registration.reference import choose_reference

    if not any(len(sub.measures.stars) for sub in subs):
        return None
    pointings = [sub.frame.pointing for sub in subs]
    index = choose_reference(
        stars=[sub.measures.count for sub in subs],
        fwhm_px=[sub.measures.fwhm_px for sub in subs],
        eccentricity=[sub.measures.eccentricity for sub in subs],
        noise_adu=[sub.measures.noise_adu for sub in subs],
        pointing_deg=[
            (np.nan, np.nan) if one is None else (one.ra_deg, one.dec_deg) for one in pointings
        ],
    )
    return subs[index]


def _key(bench: Bench, sub: MeasuredSub, reference: MeasuredSub) -> str:
    return key_of(__version__, sub.key, reference.key, bench.settings.registration)


def _packed(placement: Placement) -> tuple[dict[str, object], bytes | None]:
    record = {
        "matrix": placement.matrix.tolist() if placement.matrix is not None else None,
        "rms_px": placement.rms_px,
        "failure": placement.failure,
    }
    pairs = placement.pairs
    return record, None if pairs is None else pairs.astype("<i8").tobytes()


def _unpacked(record: Mapping[str, object], pairs: bytes | None) -> Placement:
    if record["failure"] is not None:
        return Placement(failure=str(record["failure"]))
    return Placement(
        matrix=np.array(record["matrix"], dtype=np.float64),
        pairs=np.frombuffer(pairs or b"", dtype="<i8").reshape(-1, 2).astype(np.intp),
        rms_px=float(str(record["rms_px"])),
    )
