"""Plans of nights that are ready to use; change details with `dataclasses.replace`."""

from datetime import timedelta

from stackbench.frames.records import Pointing
from tests.support.simulator.faults import Cloud, Defocus, PlacedFault, Satellite, Trail
from tests.support.simulator.field import ExtendedSource
from tests.support.simulator.plan import (
    SITE,
    START,
    CameraPlan,
    DarkPlan,
    Dialect,
    FieldPlan,
    FilterPlan,
    MountPlan,
    NightPlan,
    OpticsPlan,
    SessionPlan,
)
from tests.support.simulator.sky import sidereal_angle_deg

# relative to luminance: light of stars, light of the sky, colour term, seeing
_FILTERS = {
    "L": (1.0, 8.0, 0.0, 1.0),
    "R": (0.35, 2.5, 0.3, 0.97),
    "G": (0.35, 2.5, 0.0, 1.0),
    "B": (0.35, 2.5, -0.3, 1.04),
    "Ha": (0.20, 0.6, 0.4, 0.96),
    "OIII": (0.20, 0.8, -0.2, 1.0),
    "SII": (0.20, 0.6, 0.5, 0.96),
}


def filter_plan(
    name: str,
    *,
    lights: int = 8,
    flats: int = 5,
    exposure_s: float = 60.0,
    dialect: Dialect = Dialect.TERN,
) -> FilterPlan:
    """Give a filter of one of the usual names with its usual throughput and sky."""
    throughput, sky, colour, seeing = _FILTERS[name]
    return FilterPlan(
        name=name,
        lights=lights,
        flats=flats,
        exposure_s=exposure_s,
        sky_e_s=sky,
        throughput=throughput,
        colour_term=colour,
        seeing_factor=seeing,
        dialect=dialect,
    )


def plan_small_night(
    *,
    shape: tuple[int, int] = (240, 320),
    filters: tuple[str, ...] = ("L", "R"),
    lights: int = 6,
    flats: int = 4,
    bias: int = 6,
    darks: int = 6,
    exposure_s: float = 60.0,
    stars: int = 120,
    fwhm_px: float = 3.0,
    flip: bool = True,
    turned_night: bool = False,
    faults: tuple[PlacedFault, ...] = (),
    suffixes: tuple[str, ...] = ("",),
) -> NightPlan:
    """Plan a night for tests: a good one unless `faults` are placed in it.

    Parameters
    ----------
    shape : tuple of int
        Frames' (ny, nx).
    filters : tuple of str
        Names among L, R, G, B, Ha, OIII, SII.
    lights, flats : int
        Frames of each filter in each session.
    bias, darks : int
        Frames; the darks match the lights.
    exposure_s : float
        Exposure of lights and darks.
    stars : int
        Stars within one frame.
    fwhm_px : float
        Typical FWHM in luminance, before pixel integration.
    flip : bool
        Whether a meridian flip comes halfway.
    turned_night : bool
        Whether a second night with the camera turned by 90° follows.
    faults : tuple of PlacedFault
        What spoils which sub.
    suffixes : tuple of str
        Ways of packing, taken in turn, see `NightPlan`.

    Returns
    -------
    NightPlan
        The plan.
    """
    sessions = [SessionPlan(start=START)]
    if turned_night:
        sessions.append(SessionPlan(start=START + timedelta(days=1), camera_angle_deg=90.0))
    return NightPlan(
        shape=shape,
        filters=tuple(
            filter_plan(name, lights=lights, flats=flats, exposure_s=exposure_s) for name in filters
        ),
        optics=OpticsPlan(fwhm_px=fwhm_px),
        mount=MountPlan(flip_after=0.5 if flip else None),
        field=FieldPlan(stars=stars),
        sessions=tuple(sessions),
        bias=bias,
        darks=(DarkPlan(exposure_s=exposure_s, count=darks),) if darks else (),
        faults=faults,
        suffixes=suffixes,
        pointing=_pointing(len(filters) * lights, exposure_s),
    )


def plan_sample_night() -> NightPlan:
    """Plan the night that is kept with the project to try it on."""
    tern, heron = Dialect.TERN, Dialect.HERON
    exposure_s = 120.0
    return NightPlan(
        shape=(272, 360),
        filters=(
            filter_plan("L", lights=10, exposure_s=exposure_s, dialect=tern),
            filter_plan("Ha", lights=9, exposure_s=exposure_s, dialect=tern),
            filter_plan("OIII", lights=9, exposure_s=exposure_s, dialect=heron),
        ),
        camera=CameraPlan(hot_fraction=1e-3, cosmics_per_mpx_s=0.4),
        optics=OpticsPlan(vignetting=0.35),
        field=FieldPlan(stars=170, flux_e_s=(50.0, 1.0e4), slope=0.7, separation_px=9.0),
        extended=_wicker_nebula(),
        darks=(DarkPlan(exposure_s=exposure_s, count=6),),
        faults=(
            PlacedFault(filter="L", index=7, fault=Cloud(transparency=0.35, sky_factor=1.25)),
            PlacedFault(filter="L", index=2, fault=Satellite(angle_deg=31.0, offset_px=25.0)),
            PlacedFault(filter="Ha", index=3, fault=Trail(axis_ratio=0.5, angle_deg=65.0)),
            PlacedFault(filter="OIII", index=6, fault=Defocus(factor=1.9)),
        ),
        pointing=_pointing(28, exposure_s),
        wcs=True,
    )


def _wicker_nebula() -> tuple[ExtendedSource, ...]:
    """Two clouds of gas and two small galaxies, all invented."""
    clouds = {"L": 3.5e4, "Ha": 2.2e4, "OIII": 5.0e3}
    core = {"L": 1.2e4, "Ha": 2.5e3, "OIII": 9.0e3}
    return (
        ExtendedSource(
            x=165.0, y=150.0, fwhm_px=110.0, axis_ratio=0.55, angle_deg=35.0, flux_e_s=clouds
        ),
        ExtendedSource(
            x=205.0, y=120.0, fwhm_px=48.0, axis_ratio=0.75, angle_deg=110.0, flux_e_s=core
        ),
        ExtendedSource(
            x=300.0, y=60.0, fwhm_px=8.0, axis_ratio=0.4, angle_deg=15.0, flux_e_s={"L": 700.0}
        ),
        ExtendedSource(
            x=60.0, y=225.0, fwhm_px=7.0, axis_ratio=0.7, angle_deg=140.0, flux_e_s={"L": 500.0}
        ),
    )


def _pointing(subs: int, exposure_s: float) -> Pointing:
    """Point where the meridian is halfway through the night."""
    middle = START + timedelta(seconds=subs * (exposure_s + 12) / 2)
    return Pointing(ra_deg=round(sidereal_angle_deg(middle, SITE), 2), dec_deg=48.25)
