"""What a product was made of and how, as the cards of its header."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from stackbench import __version__
from stackbench.export.cards import Card, Value
from stackbench.export.wcs import Wcs, wcs_cards
from stackbench.frames.records import Setup

CREATOR = f"stackbench {__version__}"
"""What the keyword CREATOR of every product says; a scan knows our own files by it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One frame that went into a product: its name, and its SHA-256 in hexadecimal."""

    name: str
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Provenance:
    """Where a product comes from.

    `settings` are the options that made it, `versions` the libraries that
    took part, `notes` plain sentences such as warnings; `written` is the
    moment of writing, UTC (left out of the header when None).
    """

    inputs: tuple[InputFile, ...]
    settings: Mapping[str, Value | None] = field(default_factory=dict)
    versions: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    written: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductFacts:
    """What a product shows; a fact that is not known is None.

    `kind` is "bias", "dark", "flat", "dark-flat", "stack" or "channel".
    `exposure_s` is the total of a stack or channel, and the exposure of one
    frame for a master. Times are UTC: the start of the first and the end of
    the last exposure. `noise_adu` is 1σ of a pixel, `fwhm_px` that of stars.
    """

    kind: str
    frames: int
    setup: Setup | None = None
    target: str | None = None
    filter: str | None = None
    exposure_s: float | None = None
    time_start: datetime | None = None
    time_end: datetime | None = None
    temperature_c: float | None = None
    pixel_size_um: float | None = None
    noise_adu: float | None = None
    fwhm_px: float | None = None
    read_noise_e: float | None = None
    gain_e_per_adu: float | None = None
    rejected_pixels: int | None = None
    wcs: Wcs | None = None


def product_cards(facts: ProductFacts, provenance: Provenance) -> list[Card]:
    """Write down facts and provenance as header cards.

    Every input has two numbered cards, IN0001 (name) and IS0001 (SHA-256);
    settings, versions and notes stand in HISTORY, one a line.

    Parameters
    ----------
    facts : ProductFacts
        What the product shows.
    provenance : Provenance
        What it was made of.

    Returns
    -------
    list of (keyword, value, comment)
        In the order of the header; text not yet spelled in ASCII.
    """
    return [
        *_fact_cards(facts),
        *_setup_cards(facts.setup),
        *(wcs_cards(facts.wcs) if facts.wcs else ()),
        ("CREATOR", CREATOR, "the program that wrote this file"),
        ("DATE", _fits_time(provenance.written), "when this file was written, UTC"),
        *_provenance_cards(provenance),
    ]


def _fact_cards(facts: ProductFacts) -> list[Card]:
    summed = facts.kind in ("stack", "channel")
    exposure_comment = "[s] all frames together" if summed else "[s] one frame"
    # a master flat is normalised to 1, anything else stays in the camera's units
    unit = "" if facts.kind == "flat" else "adu"
    return [
        ("IMAGETYP", facts.kind if summed else f"master {facts.kind}", ""),
        ("OBJECT", facts.target, ""),
        ("FILTER", facts.filter, ""),
        ("EXPTIME", facts.exposure_s, exposure_comment),
        ("NCOMBINE", facts.frames, "frames combined"),
        ("BUNIT", unit or None, "unit of the pixels"),
        ("DATE-OBS", _fits_time(facts.time_start), "start of the first exposure, UTC"),
        ("DATE-BEG", _fits_time(facts.time_start), "start of the first exposure, UTC"),
        ("DATE-END", _fits_time(facts.time_end), "end of the last exposure, UTC"),
        ("TIMESYS", "UTC" if facts.time_start or facts.time_end else None, ""),
        ("CCD-TEMP", facts.temperature_c, "[deg C] sensor"),
        ("XPIXSZ", facts.pixel_size_um, "[um] after binning"),
        ("YPIXSZ", facts.pixel_size_um, "[um] after binning"),
        ("NOISE", facts.noise_adu, "[adu] 1 sigma of a pixel"),
        ("FWHM", facts.fwhm_px, "[pixel] of the stars"),
        ("EGAIN", facts.gain_e_per_adu, "[electron/adu]"),
        ("RDNOISE", facts.read_noise_e, "[electron]"),
        ("NREJECT", facts.rejected_pixels, "pixel values rejected"),
    ]


def _setup_cards(setup: Setup | None) -> list[Card]:
    if setup is None:
        return []
    camera = setup.camera
    return [
        ("INSTRUME", camera.camera, "camera"),
        ("TELESCOP", setup.telescope, ""),
        ("FOCALLEN", setup.focal_length_mm, "[mm]"),
        ("XBINNING", camera.binning[0], ""),
        ("YBINNING", camera.binning[1], ""),
        ("GAIN", camera.gain_setting, "the camera's own setting"),
        ("OFFSET", camera.offset_setting, "the camera's own setting"),
        ("READOUTM", camera.read_mode, "read mode"),
    ]


def _provenance_cards(provenance: Provenance) -> list[Card]:
    cards: list[Card] = [("NINPUT", len(provenance.inputs), "input files, named in INnnnn")]
    for number, source in enumerate(provenance.inputs, start=1):
        cards.append((f"IN{number:04d}", source.name, ""))
        cards.append((f"IS{number:04d}", source.sha256, ""))
    for title, table in (("setting", provenance.settings), ("version", provenance.versions)):
        cards += [("HISTORY", f"{title} {key} = {value}", "") for key, value in table.items()]
    cards += [("HISTORY", f"note {note}", "") for note in provenance.notes]
    return cards


def _fits_time(time: datetime | None) -> str | None:
    """Spell a time as FITS does: UTC without a zone (FITS Standard 4.0, section 9.1.1)."""
    if time is None:
        return None
    utc = time if time.tzinfo is None else time.astimezone(UTC)
    return utc.replace(tzinfo=None).isoformat(timespec="milliseconds")
