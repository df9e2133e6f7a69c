"""What is known of each sub of a night, gathered for the diagnosis."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt

from stackbench.frames.records import Pointing
from stackbench.review.measures import SubMeasures
from stackbench.stars.records import StarTable


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyPlace:
    """Where a target, the Sun and the Moon stood at one moment, seen from the site.

    Degrees, without refraction. `hour_angle_deg` is negative east of the
    meridian, -180 to 180. `parallactic_deg` is the angle at the target from
    the north pole to the zenith, positive west of the meridian.
    `moon_illuminated` is the lit share of its disc, 0 to 1.
    """

    altitude_deg: float
    azimuth_deg: float
    hour_angle_deg: float
    parallactic_deg: float
    sun_altitude_deg: float
    moon_altitude_deg: float
    moon_separation_deg: float
    moon_illuminated: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One sub of the night with all that a diagnosis may rest on.

    Unknown is None. `time` is the middle of the exposure, UTC. `shape` is
    (ny, nx) of the pixels that were measured; `to_grid` takes (x, y, 1) of the
    sub to its target's grid. `concentration` tells how much of the
    eccentricity points one way, 0 to 1. `north_deg` is where north lies on the
    grid, from +x towards +y, and `mirrored` whether east lies to the right of
    north when north is up; both from world coordinates, where there are any.
    `place` needs site, time and pointing.
    """

    path: Path
    target: str | None
    filter: str | None
    setup: str | None = None
    time: datetime | None
    exposure_s: float | None
    kept: bool
    measures: SubMeasures
    concentration: float | None = None
    stars: StarTable | None = None
    shape: tuple[int, int]
    scale_arcsec_px: float | None = None
    to_grid: npt.NDArray[np.float64] | None = None
    north_deg: float | None = None
    mirrored: bool | None = None
    pointing: Pointing | None = None
    place: SkyPlace | None = None
    airmass: float | None = None
    sensor_temperature_c: float | None = None
    ambient_temperature_c: float | None = None
    focus_position: float | None = None
