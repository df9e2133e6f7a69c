"""The facts of a frame from header cards of several dialects."""

from pathlib import Path

import pytest
from astropy.io import fits

from stackbench.frames.header import frame_from_header, plain_stem
from stackbench.frames.records import Kind, PixelLayout, Pointing, Site


def facts(cards, *, path="a_001.fits", shape=(4176, 6248), **options):
    return frame_from_header(
        cards,
        path=Path(path),
        size_bytes=1,
        modified_ns=2,
        layout=PixelLayout(hdu=0, shape=shape, bitpix=16, data_offset=2880),
        **options,
    )


AMATEUR = {
    "IMAGETYP": "Light Frame",
    "EXPTIME": 300.0,
    "EXPOSURE": 299.0,
    "CCD-TEMP": -10.1,
    "SET-TEMP": -10.0,
    "GAIN": 100,
    "OFFSET": 50,
    "EGAIN": 0.25,
    "READOUTM": "Low Noise",
    "XBINNING": 2,
    "YBINNING": 2,
    "XPIXSZ": 7.52,
    "FOCALLEN": 530.0,
    "INSTRUME": "Mono 26",
    "TELESCOP": "Short refractor",
    "FILTER": "Luminance",
    "OBJECT": "Field  7 ",
    "DATE-OBS": "2024-02-29T23:59:59.5",
    "OBJCTRA": "05 35 17.3",
    "OBJCTDEC": "-05 23 28",
    "SITELAT": "+46 30 00",
    "SITELONG": "-7 15 00",
    "SITEELEV": 812.0,
    "AIRMASS": 1.25,
    "ROTATANG": 91.5,
    "FOCPOS": 12345,
    "FOCTEMP": 3.5,
    "PEDESTAL": -100,
}


def test_a_whole_amateur_header():
    frame = facts(AMATEUR)
    assert frame.kind is Kind.LIGHT
    assert (frame.size_bytes, frame.modified_ns) == (1, 2)
    assert frame.exposure_s == 300.0
    assert (frame.temperature_c, frame.set_temperature_c) == (-10.1, -10.0)
    camera = frame.setup.camera
    assert (camera.camera, camera.read_mode) == ("Mono 26", "Low Noise")
    assert (camera.gain_setting, camera.offset_setting) == (100.0, 50.0)
    assert (camera.binning, camera.shape) == ((2, 2), (4176, 6248))
    assert (frame.setup.telescope, frame.setup.focal_length_mm) == ("Short refractor", 530.0)
    assert frame.egain_e_per_adu == 0.25
    assert (frame.filter, frame.target) == ("L", "Field 7")
    assert frame.pointing == Pointing(
        ra_deg=pytest.approx(83.8220833333), dec_deg=pytest.approx(-5.3911111111)
    )
    assert frame.site == Site(latitude_deg=46.5, longitude_deg=-7.25, height_m=812.0)
    assert (frame.airmass, frame.rotator_deg, frame.focus_position) == (1.25, 91.5, 12345.0)
    assert (frame.ambient_temperature_c, frame.pedestal_adu) == (3.5, -100.0)
    # 206.264806 × 7.52 µm / 530 mm, derivable; XPIXSZ is the size after binning
    # by a camera maker's published keyword list.
    assert frame.pixel_size_um == 7.52
    assert frame.scale_arcsec_px == pytest.approx(2.9266, abs=1e-4)


@pytest.mark.parametrize(
    ("pixel", "focal", "scale"),
    [(3.76, 530, 1.463313), (3.80, 1000, 0.783806), (9.0, 2000, 0.928192)],
)
def test_image_scale(pixel, focal, scale):
    # 206.264806 · p[µm] / f[mm]: derivable.
    frame = facts({"XPIXSZ": pixel, "FOCALLEN": focal})
    assert frame.scale_arcsec_px == pytest.approx(scale, abs=1e-6)


def test_a_coordinate_system_gives_the_scale_even_where_xpixsz_is_unbinned():
    cards = {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "CRVAL1": 83.8, "CRVAL2": -5.4}
    cards |= {"CD1_1": -4.1033656376e-4, "CD1_2": 7.2353407361e-5}
    cards |= {"CD2_1": 7.2353407361e-5, "CD2_2": 4.1033656376e-4, "XPIXSZ": 1.9, "FOCALLEN": 530}
    frame = facts(cards)
    assert frame.scale_arcsec_px == pytest.approx(1.5, rel=1e-9)  # 1.5″/px turned by 10°
    assert frame.pointing == Pointing(ra_deg=83.8, dec_deg=-5.4)
    assert facts({**cards, "CTYPE1": "LINEAR"}).pointing is None


def test_a_solution_written_as_pc_with_cdelt_of_one_gives_the_scale():
    # FITS Standard 3.0, section 8.2: CDi_j = CDELTi · PCi_j; 1.5″/px turned by 10°,
    # the whole solution in PC.
    cards = {"CTYPE1": "RA---TAN-SIP", "CTYPE2": "DEC--TAN-SIP", "XPIXSZ": 9.0, "FOCALLEN": 2000}
    cards |= {"CDELT1": 1.0, "CDELT2": 1.0, "PC1_1": -4.1033656376e-4, "PC1_2": 7.2353407361e-5}
    cards |= {"PC2_1": 7.2353407361e-5, "PC2_2": 4.1033656376e-4}
    assert facts(cards).scale_arcsec_px == pytest.approx(1.5, rel=1e-9)
    # without PC, or with the unit matrix there, CDELT alone is the scale
    plain = {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CDELT1": -4e-4, "CDELT2": 4e-4}
    assert facts(plain).scale_arcsec_px == pytest.approx(1.44)
    turned = {**plain, "PC1_1": 0.8, "PC1_2": -0.6, "PC2_1": 0.6, "PC2_2": 0.8}
    assert facts(turned).scale_arcsec_px == pytest.approx(1.44)
    # CDELT of 1 and no matrix: filled in without a solution
    unsolved = {**plain, "CDELT1": 1.0, "CDELT2": 1.0, "XPIXSZ": 9.0, "FOCALLEN": 2000}
    assert facts(unsolved).scale_arcsec_px == pytest.approx(0.928192, abs=1e-6)


@pytest.mark.parametrize(
    ("overscan", "trim", "why"),
    [
        # cut off before, with the header left as it was: on the right, on the left
        ("[4096:4109]", "[1:4096, :]", "does not fit an axis of 4096 pixels"),
        ("[1:50, :]", "[51:4146, :]", "does not fit an axis of 4096 pixels"),
        ("[a:b]", None, "is not of the form"),
        (None, "[3000:5000,1:4096]", "does not fit an axis of 4096 pixels"),
    ],
)
def test_sections_of_another_frame_size_are_left_out_with_a_reason(overscan, trim, why):
    cards = {"BIASSEC": overscan, "TRIMSEC": trim}
    frame = facts(cards, shape=(4096, 4096))
    assert (frame.overscan_section, frame.trim_section) == (None, None)
    assert why in frame.unfit_sections


@pytest.mark.parametrize("empty", ["", "[]", "[0:0,0:0]", None])
def test_empty_sections_are_no_mistake(empty):
    frame = facts({"BIASSEC": empty, "TRIMSEC": "[1:4096, :]"}, shape=(4096, 4096))
    assert frame.unfit_sections is None
    assert frame.trim_section == "[1:4096, :]"


def test_every_key_may_be_missing():
    # None of these keywords is in the standard: HEASARC dictionary of standard keywords.
    frame = facts({})
    assert frame.kind is Kind.UNKNOWN
    missing = ("filter", "target", "exposure_s", "time", "temperature_c", "set_temperature_c")
    missing += ("egain_e_per_adu", "pixel_size_um", "scale_arcsec_px", "pedestal_adu", "pointing")
    missing += (
        "overscan_section",
        "trim_section",
        "unfit_sections",
        "site",
        "airmass",
        "rotator_deg",
    )
    missing += ("focus_position", "ambient_temperature_c")
    assert {name: getattr(frame, name) for name in missing} == dict.fromkeys(missing)
    assert frame.setup.camera.binning == (1, 1)


@pytest.mark.parametrize(
    ("cards", "name", "value"),
    [
        ({"EXPOSURE": "12.5"}, "exposure_s", 12.5),
        ({"EXPTIME": "n/a", "EXPOSURE": 2}, "exposure_s", 2.0),
        ({"EXPTIME": -1}, "exposure_s", None),
        ({"EXPTIME": 0}, "exposure_s", 0.0),
        ({"SET-TEMP": -15}, "temperature_c", -15.0),
        ({"CCD-TEMP": 180.2}, "temperature_c", -92.95),  # kelvin, evidently
        ({"CCD-TEMP": -999}, "temperature_c", None),
        ({"CCD-TEMP": 35.0}, "temperature_c", 35.0),
        ({"FILTER": "O-III"}, "filter", "OIII"),
        ({"FILTER": "Narrow 656"}, "filter", "Narrow 656"),
        ({"FILTER": 3}, "filter", "3"),
        ({"FILTERS": 48}, "filter", None),
        ({"OBJECT": "  "}, "target", None),
        ({"AIRMASS": 0}, "airmass", None),
        ({"SECZ": 1.176}, "airmass", 1.176),
        ({"BIASSEC": "[   4:  13,   1: 520]"}, "overscan_section", "[ 4: 13, 1: 520]"),
        ({"EGAIN": 0}, "egain_e_per_adu", None),
        ({"GAIN": 1.9}, "egain_e_per_adu", 1.9),
        ({"EGAIN": 0, "GAIN": 1.3}, "egain_e_per_adu", 1.3),
        ({"EXPTIME": 1e12}, "exposure_s", None),
        ({"GAIN": 100}, "egain_e_per_adu", None),
        ({"GAIN": 100.0}, "egain_e_per_adu", None),
        ({"GAIN": 120, "EGAIN": 0.8}, "egain_e_per_adu", 0.8),
        ({"FOCUSPOS": 7}, "focus_position", 7.0),
        ({"ROTATOR": 0}, "rotator_deg", 0.0),
        ({"SITELAT": 0, "SITELONG": 0}, "site", None),
        ({"PIXSCALE": 0.7}, "scale_arcsec_px", 0.7),
        ({"RA": 83.8, "DEC": "-05:24:00"}, "pointing", Pointing(ra_deg=83.8, dec_deg=-5.4)),
        ({"RA": "junk", "DEC": 1}, "pointing", None),
    ],
)
def test_dialects(cards, name, value):
    assert getattr(facts(cards), name) == value


@pytest.mark.parametrize(
    ("cards", "binning"),
    [
        ({"XBINNING": 2, "YBINNING": 3}, (2, 3)),
        ({"XBINNING": 2}, (2, 2)),
        ({"BINNING": "2x2"}, (2, 2)),
        ({"BINNING": "2 x 1"}, (2, 1)),
        ({"BINNING": 3}, (3, 3)),
        ({"CCDSUM": "1 2"}, (1, 2)),
        ({"XBINNING": 0, "YBINNING": 0}, (1, 1)),
    ],
)
def test_binning(cards, binning):
    assert facts(cards).setup.camera.binning == binning


def test_comments_tell_units():
    remarks = {"GAIN": "[e-/ADU] gain", "RA": "hours", "LONG-OBS": "degrees west"}
    cards = {"GAIN": 2, "RA": 5.5, "DEC": 10, "LAT-OBS": 40, "LONG-OBS": 96.5}
    frame = facts(cards, comment=lambda key: remarks.get(key, ""))
    assert frame.egain_e_per_adu == 2.0
    assert frame.pointing == Pointing(ra_deg=82.5, dec_deg=10.0)
    assert frame.site == Site(latitude_deg=40.0, longitude_deg=-96.5)


def test_an_astropy_header_serves_as_cards():
    header = fits.Header(AMATEUR)
    assert facts(header) == facts(AMATEUR)


def test_kind_from_names_when_the_header_says_nothing():
    assert facts({}, path="flat_Ha_001.fits.gz").kind is Kind.FLAT
    assert facts({}, folders=("darks", "night")).kind is Kind.DARK


@pytest.mark.parametrize("ending", [".fits", ".FIT", ".fts", ".fits.gz", ".fit.bz2", ".FITS.FZ"])
def test_plain_stem(ending):
    assert plain_stem(Path(f"x/dark_0.5s{ending}")) == "dark_0.5s"
