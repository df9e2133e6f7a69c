"""Headers as two invented capture dialects write them.

Tern writes frame kinds in words, exposures as EXPTIME, the measured sensor
temperature and sexagesimal pointing; Heron writes FRAME, EXPOSURE, only the
set point, decimal degrees, and leaves out what it deems plain (binning 1).
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from astropy.io.fits import Header

from stackbench.frames.records import Kind
from tests.support.simulator.geometry import Matrix
from tests.support.simulator.plan import Dialect, NightPlan

SUFFIX = {Dialect.TERN: ".fits", Dialect.HERON: ".fit"}

_TERN_KINDS = {
    Kind.BIAS: "Bias Frame",
    Kind.DARK: "Dark Frame",
    Kind.FLAT: "Flat Field",
    Kind.DARK_FLAT: "Dark Flat",
    Kind.LIGHT: "Light Frame",
}
_HERON_KINDS = {
    Kind.BIAS: "bias",
    Kind.DARK: "dark",
    Kind.FLAT: "flat",
    Kind.DARK_FLAT: "flatdark",
    Kind.LIGHT: "light",
}
_TERN_FILTERS = {"L": "Lum", "Ha": "H-alpha", "OIII": "OIII", "SII": "SII"}
_HERON_FILTERS = {"L": "Luminance", "Ha": "Ha", "OIII": "O-III", "SII": "S-II"}


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFacts:
    """What the capture of one frame knows of it; `temperature_c` is measured."""

    kind: Kind
    exposure_s: float
    time: datetime
    temperature_c: float
    set_temperature_c: float
    filter: str | None = None
    airmass: float | None = None
    focus: int | None = None
    ambient_c: float | None = None
    camera_angle_deg: float = 0.0
    to_grid: Matrix | None = None


def frame_header(plan: NightPlan, dialect: Dialect, facts: FrameFacts) -> Header:
    """Give a frame's FITS header, without the cards of the pixels' layout."""
    header = Header()
    if dialect is Dialect.TERN:
        _write_tern(header, plan, facts)
    else:
        _write_heron(header, plan, facts)
    ny, nx = plan.shape
    if plan.camera.overscan:
        header["BIASSEC"] = f"[{nx + 1}:{nx + plan.camera.overscan},1:{ny}]"
        header["TRIMSEC"] = f"[1:{nx},1:{ny}]"
    if plan.wcs and facts.kind is Kind.LIGHT and facts.to_grid is not None:
        header.update(wcs_cards(plan, facts.to_grid))
    header["COMMENT"] = "Simulated frame of an invented night: no real sky, place or device."
    return header


def wcs_cards(plan: NightPlan, to_grid: Matrix) -> Header:
    """Give the WCS of a sub: north up and east left on the grid, gnomonic.

    With p′ = M p + t from sub to grid, CRPIX of the sub is M⁻¹(CRPIX′ − t) and
    CD = CD′ M (Greisen & Calabretta 2002, A&A 395, 1061, by the chain rule).
    """
    ny, nx = plan.shape
    inverse = np.linalg.inv(to_grid)
    middle = inverse @ np.array([(nx - 1) / 2, (ny - 1) / 2, 1.0])
    cd = np.diag([-1.0, 1.0]) * (plan.scale_arcsec_px / 3600) @ to_grid[:2, :2]
    header = Header()
    header["CTYPE1"], header["CTYPE2"] = "RA---TAN", "DEC--TAN"
    header["CRVAL1"], header["CRVAL2"] = plan.pointing.ra_deg, plan.pointing.dec_deg
    header["CRPIX1"], header["CRPIX2"] = round(middle[0] + 1, 6), round(middle[1] + 1, 6)
    for row in range(2):
        for column in range(2):
            header[f"CD{row + 1}_{column + 1}"] = float(f"{cd[row, column]:.12e}")
    header["CUNIT1"], header["CUNIT2"] = "deg", "deg"
    return header


def _write_tern(header: Header, plan: NightPlan, facts: FrameFacts) -> None:
    camera = plan.camera
    header["IMAGETYP"] = (_TERN_KINDS[facts.kind], "type of frame")
    header["EXPTIME"] = (facts.exposure_s, "[s] exposure")
    header["EXPOSURE"] = (facts.exposure_s, "[s] exposure")
    header["DATE-OBS"] = (_moment(facts.time), "UTC, start of exposure")
    header["INSTRUME"] = (camera.name, "camera")
    header["XBINNING"], header["YBINNING"] = 1, 1
    header["GAIN"] = (camera.gain_setting, "camera gain setting")
    header["OFFSET"] = (camera.offset_setting, "camera offset setting")
    header["EGAIN"] = (camera.gain_e_adu, "[e-/ADU]")
    header["XPIXSZ"] = (camera.pixel_um, "[um] pixel width after binning")
    header["YPIXSZ"] = (camera.pixel_um, "[um] pixel height after binning")
    header["SET-TEMP"] = (facts.set_temperature_c, "[degC] cooler set point")
    header["CCD-TEMP"] = (facts.temperature_c, "[degC] sensor temperature")
    # the wheel stands somewhere during darks too, and Tern writes it down
    in_wheel = facts.filter or plan.filters[-1].name
    header["FILTER"] = (_TERN_FILTERS.get(in_wheel, in_wheel), "filter wheel")
    if facts.kind not in (Kind.LIGHT, Kind.FLAT):
        return
    header["TELESCOP"] = (plan.optics.name, "telescope")
    header["FOCALLEN"] = (plan.optics.focal_length_mm, "[mm] focal length")
    header["OBSERVAT"] = (plan.site_name, "site")
    header["SITELAT"] = (_sexagesimal(plan.site.latitude_deg), "[dms] site latitude")
    header["SITELONG"] = (_sexagesimal(plan.site.longitude_deg), "[dms] site longitude, east +")
    if facts.kind is Kind.LIGHT:
        header["OBJECT"] = (plan.target, "target")
        header["OBJCTRA"] = (_sexagesimal(plan.pointing.ra_deg / 15).lstrip("+"), "[hms]")
        header["OBJCTDEC"] = (_sexagesimal(plan.pointing.dec_deg), "[dms]")
        header["ROTATANG"] = (facts.camera_angle_deg, "[deg] rotator")
        if facts.airmass is not None:
            header["AIRMASS"] = round(facts.airmass, 4)
        if facts.focus is not None:
            header["FOCUSPOS"] = (facts.focus, "[step] focuser position")
        if facts.ambient_c is not None:
            header["AMBTEMP"] = (facts.ambient_c, "[degC] temperature of the air")


def _write_heron(header: Header, plan: NightPlan, facts: FrameFacts) -> None:
    camera = plan.camera
    middle = facts.time + timedelta(seconds=facts.exposure_s / 2)
    header["INSTRUME"] = camera.name
    if facts.kind in (Kind.LIGHT, Kind.FLAT):
        header["TELESCOP"] = plan.optics.name
        header["FOCALLEN"] = plan.optics.focal_length_mm
    header["FRAME"] = _HERON_KINDS[facts.kind]
    header["EXPOSURE"] = (facts.exposure_s, "seconds")
    header["DATE-OBS"] = _moment(facts.time)
    header["DATE-AVG"] = _moment(middle)
    header["SET-TEMP"] = facts.set_temperature_c
    header["GAIN"] = float(camera.gain_setting)
    header["OFFSET"] = float(camera.offset_setting)
    header["XPIXSZ"] = camera.pixel_um
    header["YPIXSZ"] = camera.pixel_um
    if facts.filter is not None:
        header["FILTER"] = _HERON_FILTERS.get(facts.filter, facts.filter)
    if facts.kind is Kind.LIGHT:
        header["OBJECT"] = plan.target
        header["RA"] = (plan.pointing.ra_deg, "degrees")
        header["DEC"] = (plan.pointing.dec_deg, "degrees")
        header["SITELAT"] = plan.site.latitude_deg
        header["SITELONG"] = plan.site.longitude_deg
        if facts.airmass is not None:
            header["AIRMASS"] = round(facts.airmass, 4)


def _moment(time: datetime) -> str:
    return time.replace(tzinfo=None).isoformat(timespec="milliseconds")


def _sexagesimal(value: float) -> str:
    tenths = round(abs(value) * 36000)
    whole, rest = divmod(tenths, 36000)
    minutes, rest = divmod(rest, 600)
    sign = "-" if math.copysign(1.0, value) < 0 else "+"
    return f"{sign}{whole:02d} {minutes:02d} {rest / 10:04.1f}"
