"""The record of a run, night.json, that scripts and checks may rely on.

Schema 1, to which keys are added but from which none is taken. Every key named
here is always there; what is not known is null, never 0. Products are named by
POSIX paths relative to the output folder, raw frames (and anything else outside
that folder) by absolute POSIX paths.
"""

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from enum import Enum
from pathlib import Path, PurePath
from typing import Any, Literal

from stackbench import __version__
from stackbench.calibration.records import DefectCounts
from stackbench.export.files import write_text
from stackbench.export.lessons import (
    AdviceEntry,
    FieldMapEntry,
    FindingEntry,
    LimitEntry,
    StandingEntry,
)
from stackbench.export.noiseparts import NoisePartEntry

SCHEMA = 1

Transform = tuple[
    tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameEntry:
    """One frame: what it is, what was measured, and whether it is used.

    `path` is absolute. `verdict` is None for a frame that nobody judged,
    `reasons` say in words why it is kept or rejected. `to_grid` takes a pixel
    (x, y, 1), counted from 0, to the grid. `calibration` says in words what
    calibrated it, `warnings` what is doubtful, `night` the date of its evening,
    `by_hand` which of its kind and
    filter the person set against the header. `concentration` tells how much of
    the eccentricity points one way, 0 to 1. Altitudes (of the target, the Sun
    and the Moon) and `hour_angle_deg` (negative east of the meridian) are those
    of the middle of the exposure. `cosmic_pixels` were found to be hit by cosmic
    rays and left out of the stack, None where they were not looked for.
    """

    path: PurePath
    kind: str
    filter: str | None = None
    target: str | None = None
    setup: str | None = None
    exposure_s: float | None = None
    time: datetime | None = None
    verdict: Literal["keep", "reject"] | None = None
    by: Literal["rule", "hand"] | None = None
    reasons: tuple[str, ...] = ()
    fwhm_px: float | None = None
    eccentricity: float | None = None
    elongation_deg: float | None = None
    stars: int | None = None
    sky_adu: float | None = None
    noise_adu: float | None = None
    transparency: float | None = None
    weight: float | None = None
    to_grid: Transform | None = None
    matched: int | None = None
    rms_px: float | None = None
    fwhm_arcsec: float | None = None
    temperature_c: float | None = None
    is_reference: bool = False
    calibration: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    by_hand: tuple[str, ...] = ()
    sha256: str | None = None
    concentration: float | None = None
    altitude_deg: float | None = None
    airmass: float | None = None
    hour_angle_deg: float | None = None
    sun_altitude_deg: float | None = None
    moon_altitude_deg: float | None = None
    ambient_temperature_c: float | None = None
    focus_position: float | None = None
    night: str | None = None
    cosmic_pixels: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DroppedFrame:
    """A calibration frame that did not go into its master, and why."""

    path: PurePath
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterEntry:
    """One master frame and what it was made of.

    `path` is the product, `frames` the raw frames that went in, and
    `dropped` those that did not. `rejected_pixels` counts the values that the
    clip left out, `bad_pixels` the pixels that it marks as bad in the lights
    it serves. `defects` counts those that it shows by their sort, `new_hot` those
    that were not hot in the library's last dark like it, of `new_hot_since`.
    `from_library` tells a master that was kept from an earlier night.
    """

    kind: str
    path: PurePath
    frames: tuple[PurePath, ...]
    filter: str | None = None
    setup: str | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    rejected_pixels: int | None = None
    read_noise_e: float | None = None
    gain_e_per_adu: float | None = None
    level_adu: float | None = None
    bad_pixels: int | None = None
    defects: DefectCounts | None = None
    new_hot: int | None = None
    new_hot_since: str | None = None
    night: str | None = None
    from_library: bool = False
    serves: int | None = None
    dropped: tuple[DroppedFrame, ...] = ()
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFiles:
    """The three files of a finished channel; None for one that was not made."""

    fits: PurePath | None = None
    tif: PurePath | None = None
    png: PurePath | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StackEntry:
    """One stack and the channel cut from it.

    `shape` is the stack's (ny, nx), `crop` the channel's part of it as first
    column, first row, columns, rows, `field_deg` the width and height of the sky in that
    part (None where the scale is unknown). `frames` are the subs that went in,
    `exposure_s` is their total. `noise_adu` is the measured scatter from pixel
    to pixel, `predicted_noise_adu` what the subs and their masters predict of it,
    `noise_parts` where it comes from; `noise_lines` say that in words, and what
    would help. `cosmic_pixels` of all subs were left out as hit by cosmic rays, None
    where they were not looked for. `black_adu` and `white_adu` are those of the TIFF.
    """

    target: str | None
    setup: str | None
    filter: str | None
    path: PurePath
    frames: tuple[PurePath, ...]
    shape: tuple[int, int]
    channel: ChannelFiles = field(default_factory=ChannelFiles)
    exposure_s: float | None = None
    noise_adu: float | None = None
    predicted_noise_adu: float | None = None
    cosmic_pixels: int | None = None
    noise_parts: tuple[NoisePartEntry, ...] = ()
    noise_lines: tuple[str, ...] = ()
    fwhm_px: float | None = None
    reference: PurePath | None = None
    rejection: str | None = None
    clipped_low: int | None = None
    clipped_high: int | None = None
    crop: tuple[int, int, int, int] | None = None
    field_deg: tuple[float, float] | None = None
    black_adu: float | None = None
    white_adu: float | None = None
    has_wcs: bool = False
    warnings: tuple[str, ...] = ()
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProblemEntry:
    """Something that could not be used or done: what, why, and the remedy."""

    what: str
    why: str
    remedy: str
    path: PurePath | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """Everything one run found, judged and made.

    `out` is the output folder, absolute; `inputs` are the folders of raw
    frames; `settings` may be nested; `written` is the moment of writing, UTC.
    `limits` are those of the rules; `standings` compare with earlier nights.
    """

    out: Path
    inputs: tuple[PurePath, ...] = ()
    written: datetime | None = None
    frames: tuple[FrameEntry, ...] = ()
    masters: tuple[MasterEntry, ...] = ()
    stacks: tuple[StackEntry, ...] = ()
    problems: tuple[ProblemEntry, ...] = ()
    findings: tuple[FindingEntry, ...] = ()
    advice: tuple[AdviceEntry, ...] = ()
    standings: tuple[StandingEntry, ...] = ()
    limits: tuple[LimitEntry, ...] = ()
    field_maps: tuple[FieldMapEntry, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)


def night_json(night: Night) -> dict[str, Any]:
    """Turn a run's record into what JSON knows.

    Parameters
    ----------
    night : Night
        The record.

    Returns
    -------
    dict
        `schema`, `stackbench`, and the fields of `Night` but for `out`; NaN
        and infinities have become None.
    """
    return {
        "schema": SCHEMA,
        "stackbench": __version__,
        **{
            entry.name: _plain(getattr(night, entry.name), night.out)
            for entry in fields(night)
            if entry.name != "out"
        },
    }


def write_night(path: Path, night: Night) -> None:
    """Write a run's record as night.json.

    Parameters
    ----------
    path : Path
        The file to make or to replace.
    night : Night
        The record.

    Raises
    ------
    WriteError
        When the system refuses to write.
    """
    text = json.dumps(night_json(night), indent=1, ensure_ascii=False, allow_nan=False)
    # a name that is not valid Unicode (old file systems) must not cost the record
    write_text(path, text.encode("utf-8", errors="backslashreplace").decode("utf-8") + "\n")


def iso_time(time: datetime | None) -> str | None:
    """Spell a moment as ISO 8601 in UTC, milliseconds and Z.

    Parameters
    ----------
    time : datetime or None
        Without a zone it counts as UTC.

    Returns
    -------
    str or None
        Such as "2031-02-03T04:05:06.789Z"; None for None.
    """
    if time is None:
        return None
    utc = time if time.tzinfo is None else time.astimezone(UTC)
    return utc.replace(tzinfo=None).isoformat(timespec="milliseconds") + "Z"


def _plain(value: Any, out: Path) -> Any:
    if value is None or isinstance(value, (bool, int, str)):
        return value.value if isinstance(value, Enum) else value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, datetime):
        return iso_time(value)
    if isinstance(value, PurePath):
        inside = value.is_absolute() and value.is_relative_to(out)
        return (value.relative_to(out) if inside else value).as_posix()
    if isinstance(value, Mapping):
        return {str(key): _plain(item, out) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(item, out) for item in value]
    if hasattr(value, "__dataclass_fields__"):
        return {entry.name: _plain(getattr(value, entry.name), out) for entry in fields(value)}
    if hasattr(value, "item"):  # a numpy number
        return _plain(value.item(), out)
    return str(value)
