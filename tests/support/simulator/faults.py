"""What spoils a sub, and how it changes the sub's circumstances."""

from dataclasses import dataclass, replace
from datetime import datetime

from tests.support.simulator.profile import StarProfile


@dataclass(frozen=True, slots=True, kw_only=True)
class Cloud:
    """Cloud lets through a part of the starlight and glows by a factor over the sky."""

    transparency: float
    sky_factor: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trail:
    """The mount drifts: the minor axis stays, the major one grows to minor / axis_ratio."""

    axis_ratio: float
    angle_deg: float = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Defocus:
    """Out of focus: FWHM grows by a factor."""

    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Satellite:
    """A straight bright trail across the frame; see `draw_trail` for the geometry."""

    angle_deg: float = 27.0
    offset_px: float = 10.0
    width_px: float = 4.0
    peak_e: float = 800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bump:
    """A knock between two guide exposures: a part of the light lands `offset_px` away."""

    offset_px: tuple[float, float] = (5.0, 3.0)
    fraction: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Dawn:
    """Twilight: the sky is brighter by a factor."""

    sky_factor: float


Fault = Cloud | Trail | Defocus | Satellite | Bump | Dawn


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedFault:
    """A fault of the sub number `index` (from 0, through all sessions) of a filter."""

    filter: str
    index: int
    fault: Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A fault of all subs whose middle falls between two times."""

    start: datetime
    end: datetime
    fault: Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What the sky and the mount did during one sub."""

    profile: StarProfile
    transparency: float
    sky_e: float
    bump: Bump | None = None
    satellites: tuple[Satellite, ...] = ()


def spoilt(state: Circumstances, fault: Fault) -> Circumstances:
    """Give the circumstances of a sub after a fault."""
    profile = state.profile
    match fault:
        case Cloud():
            return replace(
                state,
                transparency=state.transparency * fault.transparency,
                sky_e=state.sky_e * fault.sky_factor,
            )
        case Dawn():
            return replace(state, sky_e=state.sky_e * fault.sky_factor)
        case Defocus():
            return replace(state, profile=replace(profile, fwhm_px=profile.fwhm_px * fault.factor))
        case Trail():
            minor = profile.fwhm_axes_px[1]
            trailed = replace(
                profile,
                fwhm_px=minor / fault.axis_ratio**0.5,
                axis_ratio=fault.axis_ratio,
                angle_deg=fault.angle_deg,
            )
            return replace(state, profile=trailed)
        case Bump():
            return replace(state, bump=fault)
        case Satellite():
            return replace(state, satellites=(*state.satellites, fault))
