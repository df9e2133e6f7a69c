"""The facts of one frame: what it is, what it was taken with, where its pixels lie."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path


class Kind(StrEnum):
    """What a frame was taken for."""

    BIAS = "bias"
    DARK = "dark"
    FLAT = "flat"
    DARK_FLAT = "dark-flat"
    LIGHT = "light"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelLayout:
    """Where the pixels of one image lie in its file, and how to read them.

    `shape` is (ny, nx). `data_offset` is in bytes from the start of the file,
    or None when the pixels must be decoded first (compressed files). Physical
    value = bzero + bscale × stored; `blank` is the stored value of an
    undefined pixel (FITS Standard 4.0, section 4.4.2.5).
    """

    hdu: int
    shape: tuple[int, int]
    bitpix: int
    bzero: float = 0.0
    bscale: float = 1.0
    blank: int | None = None
    data_offset: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraSetup:
    """What must be equal before a bias or dark may serve another frame.

    A value that the header does not give is None. `shape` is the raw frame's
    (ny, nx); `gain_setting` and `offset_setting` are the header's GAIN and
    OFFSET as given: mostly the camera's own numbers, from observatories also
    electrons per ADU. They serve to tell setups apart, never to compute with.
    """

    camera: str | None = None
    binning: tuple[int, int] = (1, 1)
    gain_setting: float | None = None
    offset_setting: float | None = None
    read_mode: str | None = None
    shape: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """What must be equal before two lights, or a light and a flat, may meet."""

    camera: CameraSetup
    telescope: str | None = None
    focal_length_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the telescope stands: degrees north, degrees east, metres."""

    latitude_deg: float
    longitude_deg: float
    height_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """Where the telescope points, ICRS degrees as the header gives them."""

    ra_deg: float
    dec_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The facts of one frame, read from its header, its name and its folder.

    A fact that nothing states is None, never 0. `time` is the start of the
    exposure, UTC. `temperature_c` is the sensor's, °C, measured if the header
    says so, else the set point. `pixel_size_um` is that of a pixel as recorded
    (after binning); `scale_arcsec_px` follows from it and the focal length.
    `colour_pattern` is that of a colour camera's mosaic.
    `unfit_sections` says why the header's sections are not among the facts.
    `size_bytes` and `modified_ns` tell whether the file changed since.
    """

    path: Path
    size_bytes: int
    modified_ns: int
    layout: PixelLayout
    kind: Kind
    setup: Setup
    filter: str | None = None
    target: str | None = None
    exposure_s: float | None = None
    time: datetime | None = None
    temperature_c: float | None = None
    set_temperature_c: float | None = None
    egain_e_per_adu: float | None = None
    pixel_size_um: float | None = None
    scale_arcsec_px: float | None = None
    pedestal_adu: float | None = None
    colour_pattern: str | None = None
    overscan_section: str | None = None
    trim_section: str | None = None
    unfit_sections: str | None = None
    pointing: Pointing | None = None
    site: Site | None = None
    airmass: float | None = None
    rotator_deg: float | None = None
    focus_position: float | None = None
    ambient_temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Something that could not be used or done, and what to do about it.

    `what` says what happened, `why` its cause, `remedy` what the person can
    do. `path` is None when no single file is to blame.
    """

    what: str
    why: str
    remedy: str
    path: Path | None = None
