"""What is true of a simulated night, frame by frame."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.records import Kind
from tests.support.simulator.camera import Image, Signature
from tests.support.simulator.faults import Fault, Satellite
from tests.support.simulator.field import Column, StarField
from tests.support.simulator.geometry import Matrix, inverse, mapped
from tests.support.simulator.plan import NightPlan
from tests.support.simulator.profile import RecordedShape, StarProfile
from tests.support.simulator.stamps import trail_mask


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LightTruth:
    """What is true of one sub.

    `to_grid` maps the sub's pixels (without overscan) to the sky grid.
    `profile` is the stars' profile before, `recorded` after integration over
    pixels (None after a bump, when there is no single profile). `sky_e` is the
    sky in the frame's middle, e⁻ per pixel before flat-field losses.
    `cosmic_pixels` holds the (x, y) hit by cosmic rays, `transparency` is 1
    for the clearest air.
    """

    index: int
    session: int
    to_grid: Matrix
    transparency: float
    sky_e: float
    profile: StarProfile
    recorded: RecordedShape | None
    faults: tuple[Fault, ...]
    cosmic_pixels: NDArray[np.int32]

    @property
    def satellites(self) -> tuple[Satellite, ...]:
        """The satellite trails in this sub."""
        return tuple(fault for fault in self.faults if isinstance(fault, Satellite))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameTruth:
    """What is true of one frame; `light` is None but for lights, `level_adu` but for flats."""

    path: Path
    kind: Kind
    exposure_s: float
    time: datetime
    temperature_c: float
    filter: str | None = None
    level_adu: float | None = None
    light: LightTruth | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NightTruth:
    """What is true of a whole night.

    `signature` tells bias, dark current and bad pixels, `flats` the flat of
    each filter, of median 1 (vignetting, dust and the response of each pixel).
    """

    plan: NightPlan
    frames: tuple[FrameTruth, ...]
    stars: StarField
    signature: Signature
    flats: Mapping[str, Image]

    def of_kind(self, kind: Kind, filter_name: str | None = None) -> tuple[FrameTruth, ...]:
        """Give the frames of a kind, of one filter if given, in the order of time."""
        chosen = (f for f in self.frames if f.kind is kind and filter_name in (None, f.filter))
        return tuple(sorted(chosen, key=lambda frame: frame.time))

    def light(self, filter_name: str, index: int) -> LightTruth:
        """Give the truth of one sub."""
        for frame in self.of_kind(Kind.LIGHT, filter_name):
            if frame.light is not None and frame.light.index == index:
                return frame.light
        raise KeyError(f"no sub {index} in filter {filter_name!r}")

    def light_at(self, path: Path) -> LightTruth:
        """Give the truth of the sub in a file."""
        for frame in self.frames:
            if frame.light is not None and frame.path == path:
                return frame.light
        raise KeyError(f"not a simulated sub: {path}")

    def star_positions(self, light: LightTruth) -> tuple[Column, Column]:
        """Give all stars' positions (x, y) in the pixels of a sub; some lie outside."""
        return mapped(inverse(light.to_grid), self.stars.x, self.stars.y)

    def star_flux_adu(self, filter_name: str) -> Column:
        """Give all stars' fluxes in a sub of transparency 1, ADU after flat division."""
        plan = self.plan.filter_plan(filter_name)
        rate = self.stars.flux_in(throughput=plan.throughput, colour_term=plan.colour_term)
        return rate * plan.exposure_s / self.plan.camera.gain_e_adu

    @property
    def bad_pixels(self) -> NDArray[np.bool_]:
        """Hot, dead and low pixels, True where bad."""
        bad: NDArray[np.bool_] = self.signature.hot | self.signature.low
        return bad

    def satellite_pixels(self, light: LightTruth, *, level_e: float) -> NDArray[np.bool_]:
        """Mark the pixels of a sub to which satellites give more than about `level_e`."""
        mask = np.zeros(self.plan.shape, dtype=bool)
        for trail in light.satellites:
            if trail.peak_e > level_e:
                half = trail.width_px / 2 * np.sqrt(np.log2(trail.peak_e / level_e))
                mask |= trail_mask(
                    self.plan.shape,
                    angle_deg=trail.angle_deg,
                    offset_px=trail.offset_px,
                    half_width_px=float(half),
                )
        return mask
