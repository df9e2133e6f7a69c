"""The plan of a simulated night: camera, optics, sky, filters, sessions, faults."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum

from stackbench.frames.records import Pointing, Site
from tests.support.simulator.faults import PlacedFault, Spell
from tests.support.simulator.field import ExtendedSource, StarField
from tests.support.simulator.profile import MOFFAT


class Dialect(StrEnum):
    """Two invented ways of writing a header; see `headers`."""

    TERN = "tern"
    HERON = "heron"


@dataclass(frozen=True, slots=True, kw_only=True)
class CameraPlan:
    """A cooled monochrome camera of 16-bit output.

    The zero level differs from frame to frame by `bias_drift_adu` (standard deviation),
    and rises by `bias_rise_adu_h` an hour from the first session's start on.
    `dark_e_s` holds at `temperature_c` and doubles every `dark_doubling_c`
    (common practice, no source). `saturation_adu` is where the output stops,
    `overscan` the number of dark columns to the right of the picture.
    Patterns are standard deviations of what repeats in every frame.
    """

    name: str = "Quorlan Q26M"
    pixel_um: float = 3.76
    gain_e_adu: float = 0.8
    read_noise_e: float = 3.5
    gain_setting: int = 100
    offset_setting: int = 50
    bias_adu: float = 500.0
    bias_column_adu: float = 1.5
    bias_pixel_adu: float = 1.0
    bias_drift_adu: float = 0.0
    bias_rise_adu_h: float = 0.0
    saturation_adu: int = 60000
    temperature_c: float = -10.0
    dark_e_s: float = 0.02
    dark_doubling_c: float = 6.0
    glow_e_s: float = 0.1
    hot_fraction: float = 5e-4
    hot_e_s: tuple[float, float] = (2.0, 100.0)
    low_fraction: float = 1e-4
    low_response: tuple[float, float] = (0.0, 0.6)
    pixel_response: float = 0.008
    overscan: int = 0
    cosmics_per_mpx_s: float = 0.05

    def dark_factor(self, temperature_c: float) -> float:
        """Give the dark current relative to that at the nominal temperature."""
        return float(2.0 ** ((temperature_c - self.temperature_c) / self.dark_doubling_c))


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticsPlan:
    """A telescope. `vignetting` is the loss in the corners, `dust` a number of motes.

    With `tilt` (along x, along y) FWHM changes across the sensor by that share
    from edge to edge.
    """

    name: str = "Brennel 530 short refractor"
    focal_length_mm: float = 530.0
    vignetting: float = 0.25
    vignetting_centre: tuple[float, float] = (0.03, -0.02)
    dust: int = 6
    dust_depth: float = 0.10
    profile: str = MOFFAT
    beta: float = 3.0
    fwhm_px: float = 3.0
    tilt: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusPlan:
    """The focus: FWHM grows by `drift_px_c` with each °C since focus was set.

    It is set before a session's first sub, and anew before those of its subs
    that `refocus_before` counts (from 0, all filters in order of time). A
    focuser moves by `steps_c` with each °C.
    """

    drift_px_c: float = 0.0
    refocus_before: tuple[int, ...] = ()
    steps_c: float = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterPlan:
    """One filter and what is taken through it in each session."""

    name: str
    lights: int = 8
    flats: int = 5
    exposure_s: float = 60.0
    sky_e_s: float = 5.0
    throughput: float = 1.0
    colour_term: float = 0.0
    seeing_factor: float = 1.0
    dialect: Dialect = Dialect.TERN


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkPlan:
    """A set of darks; `temperature_c` None means the camera's nominal one."""

    exposure_s: float = 60.0
    count: int = 6
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldPlan:
    """How many stars there are in the frame, how bright, how far apart."""

    stars: int = 120
    flux_e_s: tuple[float, float] = (100.0, 2.0e4)
    slope: float = 0.8
    separation_px: float = 10.0
    colour_spread: float = 0.5
    margin_px: float = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionPlan:
    """One night under the sky: its first light, and how the camera is turned."""

    start: datetime
    camera_angle_deg: float = 0.0
    flats: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class MountPlan:
    """Pointing and guiding.

    Subs are dithered within a disc of `dither_px`; `flip_after` is the part of
    a session's subs before the meridian flip (None: no flip), after which the
    frame lies turned by 180° + `flip_angle_deg` and moved by `flip_offset_px`.
    The field turns by `rotation_deg` from one sub to the next, and by
    ε sin(H − H_p) / cos δ through a polar error ε of `polar_error_arcmin` with
    H_p of `polar_hour_deg`.
    """

    dither_px: float = 8.0
    flip_after: float | None = 0.5
    flip_angle_deg: float = 0.35
    flip_offset_px: tuple[float, float] = (6.0, -4.0)
    rotation_deg: float = 0.002
    polar_error_arcmin: float = 0.0
    polar_hour_deg: float = 0.0
    axis_ratio: tuple[float, float] = (0.92, 0.98)


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPlan:
    """The air of a good night: slow drifts with small jitter from sub to sub.

    `gradient` is the sky's relative rise from one edge of the frame to the
    other. The air is at `ambient_c` when a session begins (None: no header tells)
    and cools by `cooling_c_h` an hour. With `twilight` the Sun lights the sky.
    """

    transparency_drift: float = 0.04
    transparency_jitter: float = 0.008
    seeing_drift: float = 0.05
    seeing_jitter: float = 0.015
    sky_drift: float = 0.06
    gradient: float = 0.03
    ambient_c: float | None = None
    cooling_c_h: float = 0.0
    twilight: bool = False


# the evening and the place of most plans: a spot of open ocean
START = datetime(2031, 11, 14, 22, 5, 0, tzinfo=UTC)
SITE = Site(latitude_deg=34.5, longitude_deg=-41.25, height_m=12.0)
_POINTING = Pointing(ra_deg=21.0, dec_deg=48.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPlan:
    """All that makes a simulated night. `shape` is (ny, nx) without overscan.

    `suffixes` are taken in turn by the frames of each set: "", ".gz", ".bz2"
    are appended to the dialect's own suffix, ".fz" means tile-compressed.
    `stars` replaces the random field of `field`. With `wcs` lights carry a WCS.
    """

    shape: tuple[int, int]
    filters: tuple[FilterPlan, ...]
    camera: CameraPlan = CameraPlan()
    optics: OpticsPlan = OpticsPlan()
    focus: FocusPlan = FocusPlan()
    mount: MountPlan = MountPlan()
    air: AirPlan = AirPlan()
    field: FieldPlan = FieldPlan()
    stars: StarField | None = None
    extended: tuple[ExtendedSource, ...] = ()
    sessions: tuple[SessionPlan, ...] = (SessionPlan(start=START),)
    bias: int = 6
    bias_every_s: float = 2.0
    darks: tuple[DarkPlan, ...] = (DarkPlan(),)
    dark_flats: int = 0
    flat_exposure_s: float = 2.0
    flat_levels_adu: tuple[float, float] = (18000.0, 34000.0)
    faults: tuple[PlacedFault, ...] = ()
    spells: tuple[Spell, ...] = ()
    dialect: Dialect = Dialect.TERN
    suffixes: tuple[str, ...] = ("",)
    target: str = "Wicker Nebula"
    site_name: str = "Ostermoor Terrace"
    site: Site = SITE
    pointing: Pointing = _POINTING
    wcs: bool = False

    def __post_init__(self) -> None:
        counts = {f.name: f.lights * len(self.sessions) for f in self.filters}
        for placed in self.faults:
            if not 0 <= placed.index < counts.get(placed.filter, 0):
                raise ValueError(f"no sub {placed.index} in filter {placed.filter!r}")

    @property
    def scale_arcsec_px(self) -> float:
        """Image scale, from pixel size and focal length."""
        return math.degrees(self.camera.pixel_um * 1e-3 / self.optics.focal_length_mm) * 3600

    def filter_plan(self, name: str) -> FilterPlan:
        """Give the plan of the filter of that name."""
        return next(f for f in self.filters if f.name == name)
