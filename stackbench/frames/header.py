"""Header cards → the facts of a frame, over the dialects that cameras write."""

import math
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from stackbench.frames.angles import (
    declination_deg,
    latitude_deg,
    longitude_deg,
    right_ascension_deg,
)
from stackbench.frames.filters import filter_name
from stackbench.frames.kinds import frame_kind
from stackbench.frames.records import CameraSetup, Frame, PixelLayout, Pointing, Setup, Site
from stackbench.frames.sections import is_empty_section, section_slices
from stackbench.frames.times import start_time
from stackbench.frames.values import Cards, number, text

_LATITUDE_KEYS = ("SITELAT", "LAT-OBS", "OBSGEO-B", "LATITUDE", "OBSLAT", "GEOLAT")
_LONGITUDE_KEYS = ("SITELONG", "LONG-OBS", "OBSGEO-L", "LONGITUD", "OBSLONG", "GEOLON")
_HEIGHT_KEYS = ("SITEELEV", "ALT-OBS", "OBSGEO-H", "SITEALT", "ELEVATIO")
_ABSOLUTE_ZERO_C = -273.15
_ARCSEC_MM_PER_UM = 206.264806  # arcsec per radian × mm per µm

Comment = Callable[[str], str]


def _no_comment(keyword: str) -> str:  # noqa: ARG001
    return ""


def frame_from_header(
    cards: Cards,
    *,
    path: Path,
    size_bytes: int,
    modified_ns: int,
    layout: PixelLayout,
    folders: Sequence[str] = (),
    comment: Comment = _no_comment,
) -> Frame:
    """Gather the facts of a frame from its header.

    Parameters
    ----------
    cards : mapping
        Header values by keyword (upper case).
    path : Path
        The file; its name tells the kind where the header does not.
    size_bytes, modified_ns : int
        Its size and time of change.
    layout : PixelLayout
        Where its pixels lie.
    folders : sequence of str
        Names of the folders that hold it, which also may tell the kind.
    comment : callable, optional
        Returns the comment of a keyword's card; a few tell the unit of a value.

    Returns
    -------
    Frame
        What nothing states is None. `kind` is `Kind.UNKNOWN` rather than a
        guess.

    Notes
    -----
    XPIXSZ is taken as the pixel's size after binning, as it is defined. Some
    programs leave the unbinned size there, which a header does not betray; a
    celestial coordinate system in the header gives the right scale even then.
    """
    exposure_s = _exposure(cards)
    set_temperature_c = _celsius(number(cards, "SET-TEMP", "SET_TEMP", "SETTEMP"))
    measured_c = _celsius(number(cards, "CCD-TEMP", "CCD_TEMP", "CCDTEMP", "DET-TEMP", "DETTEMP"))
    focal_length_mm = _positive(number(cards, "FOCALLEN", "FOCLEN"))
    pixel_size_um = _positive(number(cards, "XPIXSZ", "PIXSIZE1"))
    overscan_section, trim_section, unfit_sections = _sections(cards, layout.shape)
    return Frame(
        path=path,
        size_bytes=size_bytes,
        modified_ns=modified_ns,
        layout=layout,
        kind=frame_kind(cards, (plain_stem(path), *folders)),
        setup=Setup(
            camera=_camera(cards, layout.shape),
            telescope=text(cards, "TELESCOP"),
            focal_length_mm=focal_length_mm,
        ),
        filter=filter_name(text(cards, "FILTER")),
        target=text(cards, "OBJECT", "OBJNAME"),
        exposure_s=exposure_s,
        time=start_time(cards, exposure_s),
        temperature_c=set_temperature_c if measured_c is None else measured_c,
        set_temperature_c=set_temperature_c,
        egain_e_per_adu=_electrons_per_adu(cards, comment),
        pixel_size_um=pixel_size_um,
        scale_arcsec_px=_scale(cards, pixel_size_um, focal_length_mm),
        pedestal_adu=number(cards, "PEDESTAL"),
        colour_pattern=text(cards, "BAYERPAT", "COLORTYP"),
        overscan_section=overscan_section,
        trim_section=trim_section,
        unfit_sections=unfit_sections,
        pointing=_pointing(cards, comment),
        site=_site(cards, comment),
        airmass=_airmass(cards),
        rotator_deg=number(cards, "ROTATOR", "ROTATANG", "ROTANGLE"),
        focus_position=number(cards, "FOCUSPOS", "FOCPOS"),
        ambient_temperature_c=_celsius(number(cards, "AMBTEMP", "AMB-TEMP", "FOCTEMP", "FOCUSTEM")),
    )


_LONGEST_S = 1e6  # eleven days; more is a mistake


def plain_stem(path: Path) -> str:
    """Return a file's name without its endings.

    Parameters
    ----------
    path : Path
        For example "darks/dark_001.fits.gz".

    Returns
    -------
    str
        For example "dark_001".
    """
    return re.sub(r"\.(fits|fit|fts)?(\.?(gz|bz2|fz))?$", "", path.name, flags=re.IGNORECASE)


def _exposure(cards: Cards) -> float | None:
    seconds = number(cards, "EXPTIME", "EXPOSURE")
    return seconds if seconds is not None and 0 <= seconds <= _LONGEST_S else None


def _celsius(degrees: float | None) -> float | None:
    """Take a temperature over 100 for kelvin, one below absolute zero for none."""
    if degrees is None or degrees < _ABSOLUTE_ZERO_C:
        return None
    return round(degrees + _ABSOLUTE_ZERO_C, 6) if degrees > 100 else degrees


def _positive(size: float | None) -> float | None:
    return size if size is not None and size > 0 else None


def _camera(cards: Cards, shape: tuple[int, int]) -> CameraSetup:
    return CameraSetup(
        camera=text(cards, "INSTRUME", "CAMERA"),
        binning=_binning(cards),
        gain_setting=number(cards, "GAIN"),
        offset_setting=number(cards, "OFFSET", "BLKLEVEL", "BLACKLVL"),
        read_mode=text(cards, "READOUTM", "READMODE", "READ-MOD"),
        shape=shape,
    )


def _sections(cards: Cards, shape: tuple[int, int]) -> tuple[str | None, str | None, str | None]:
    """Return BIASSEC, TRIMSEC, and what is wrong with them if anything is.

    One that leaves the frame shows that the header is that of a larger frame,
    from which this one was cut: then neither may be used.
    """
    overscan, trim = text(cards, "BIASSEC"), text(cards, "TRIMSEC")
    for section in (overscan, trim):
        if section is None or is_empty_section(section):
            continue
        try:
            section_slices(section, shape)
        except ValueError as error:
            return None, None, str(error)
    return overscan, trim, None


def _binning(cards: Cards) -> tuple[int, int]:
    """Return the binning along (x, y); one factor alone stands for both."""
    x, y = number(cards, "XBINNING", "XBIN"), number(cards, "YBINNING", "YBIN")
    if x is None and y is None:
        parts = re.findall(r"\d+", text(cards, "BINNING", "CCDSUM") or "")
        factors = [float(part) for part in parts[:2]]
        x, y = (factors[0], factors[-1]) if factors else (1.0, 1.0)
    x, y = (y if x is None else x), (x if y is None else y)
    if x is None or y is None or x < 1 or y < 1:
        return 1, 1
    return round(x), round(y)


def _electrons_per_adu(cards: Cards, comment: Comment) -> float | None:
    """EGAIN, or GAIN where that is evidently in electrons.

    Amateur cameras write the number of their gain setting into GAIN,
    observatories electrons per ADU: the comment or a fraction tells.
    """
    stated = _positive(number(cards, "EGAIN"))
    if stated is not None:
        return stated
    gain = number(cards, "GAIN")
    remark = comment("GAIN").casefold()
    if gain is None or gain <= 0 or re.search(r"\bdb\b", remark):
        return None
    if re.search(r"\b(adu|dn)s?\s*(/|per)\s*e", remark):
        return 1 / gain
    in_electrons = re.search(r"\be(lectrons?)?-?\s*(/|per)\s*(adu|dn)\b", remark) is not None
    return gain if in_electrons or not gain.is_integer() else None


def _scale(
    cards: Cards, pixel_size_um: float | None, focal_length_mm: float | None
) -> float | None:
    """Arcsec per pixel: from coordinates, from the optics, or as stated."""
    from_coordinates = _coordinate_scale(cards)
    if from_coordinates is not None:
        return from_coordinates
    if pixel_size_um is not None and focal_length_mm is not None:
        return _ARCSEC_MM_PER_UM * pixel_size_um / focal_length_mm
    return _positive(number(cards, "PIXSCALE", "SECPIX"))


def _is_celestial(cards: Cards) -> bool:
    first, second = text(cards, "CTYPE1") or "", text(cards, "CTYPE2") or ""
    return first.startswith("RA--") and second.startswith("DEC-")


def _coordinate_scale(cards: Cards) -> float | None:
    if not _is_celestial(cards):
        return None
    a, b, c, d = (number(cards, key) for key in ("CD1_1", "CD1_2", "CD2_1", "CD2_2"))
    if a is not None and d is not None:
        area = abs(a * d - (b or 0.0) * (c or 0.0))
    else:
        x, y = number(cards, "CDELT1"), number(cards, "CDELT2")
        if x is None or y is None:
            return None
        # CDELT is often 1 where PC holds the solution; PC is the unit matrix by default.
        a, b, c, d = (number(cards, key) for key in ("PC1_1", "PC1_2", "PC2_1", "PC2_2"))
        turn = (1.0 if a is None else a) * (1.0 if d is None else d) - (b or 0.0) * (c or 0.0)
        area = abs(x * y * turn)
    # CDELT of 1 degree is what programs fill in without a solution.
    return 3600 * math.sqrt(area) if 0 < area < 1 else None


def _pointing(cards: Cards, comment: Comment) -> Pointing | None:
    pairs = [("RA", "DEC"), ("OBJCTRA", "OBJCTDEC"), ("RA_OBJ", "DEC_OBJ")]
    if _is_celestial(cards):
        pairs.append(("CRVAL1", "CRVAL2"))
    for ra_key, dec_key in pairs:
        remark = comment(ra_key).casefold()
        in_hours = "hour" in remark and "deg" not in remark
        if ra_key == "OBJCTRA":  # hours in every known dialect
            in_hours = "deg" not in remark
        ra = right_ascension_deg(cards.get(ra_key), in_hours=in_hours)
        dec = declination_deg(cards.get(dec_key))
        if ra is not None and dec is not None:
            return Pointing(ra_deg=ra, dec_deg=dec)
    return None


def _site(cards: Cards, comment: Comment) -> Site | None:
    for latitude_key, longitude_key in zip(_LATITUDE_KEYS, _LONGITUDE_KEYS, strict=True):
        remark = comment(longitude_key).casefold()
        latitude = latitude_deg(cards.get(latitude_key))
        longitude = longitude_deg(
            cards.get(longitude_key), west_positive="west" in remark and "east" not in remark
        )
        if latitude is None or longitude is None:
            continue
        if latitude == 0 and longitude == 0:
            continue  # never filled in
        return Site(
            latitude_deg=latitude,
            longitude_deg=longitude,
            height_m=number(cards, *_HEIGHT_KEYS),
        )
    return None


def _airmass(cards: Cards) -> float | None:
    airmass = number(cards, "AIRMASS", "SECZ")
    # 0 and below are fillings; at the zenith some formulas give 0.9997.
    return airmass if airmass is not None and airmass >= 0.99 else None
