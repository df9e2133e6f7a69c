"""What can be set, in words: every setting of a job with what it means."""

import math
from dataclasses import dataclass
from enum import StrEnum


class Form(StrEnum):
    """How a value is written."""

    NUMBER = "number"
    COUNT = "whole number"
    CHOICE = "one of several"
    SWITCH = "yes or no"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """One setting: its place in the settings, what it is called, what it means.

    `optional` ones may be left empty. Numbers lie from `least` to `most`.
    `choices` pair a value with words.
    """

    path: str
    words: str
    help: str = ""
    form: Form = Form.NUMBER
    unit: str = ""
    optional: bool = False
    least: float = 0.0
    most: float = math.inf
    choices: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The settings of one step: the part's name in a settings file, title, what it is about."""

    name: str
    title: str
    about: str
    settings: tuple[Setting, ...]


_METHODS = (
    ("auto", "as suits the number of frames"),
    ("sigma-clip", "sigma clip: what lies too far from the others"),
    ("winsorised", "winsorised sigma clip"),
    ("median", "median: the middle value"),
    ("min-max", "min–max: the lowest and highest values"),
    ("none", "nothing: the plain mean"),
)


def _count(path: str, words: str, about: str = "") -> Setting:
    return Setting(path=path, words=words, help=about, form=Form.COUNT, least=1)


def _rejection(part: str) -> tuple[Setting, ...]:
    return (
        Setting(
            path=f"{part}.method",
            words="What is rejected",
            help="Pixel by pixel, along the depth.",
            form=Form.CHOICE,
            choices=_METHODS,
        ),
        Setting(
            path=f"{part}.low",
            words="Sigma clip, darker than",
            help="In standard deviations below the centre, 1 to 10; few frames get wider limits, "
            "so that the share of good values given up stays the same.",
            unit="σ",
            least=1,
            most=10,
        ),
        Setting(path=f"{part}.high", words="Sigma clip, brighter than", unit="σ", least=1, most=10),
        _count(f"{part}.iterations", "Rounds of clipping, at most"),
        Setting(
            path=f"{part}.lowest",
            words="Min–max, lowest dropped",
            help="Values per pixel.",
            form=Form.COUNT,
        ),
        Setting(path=f"{part}.highest", words="Min–max, highest dropped", form=Form.COUNT),
    )


def _relative(name: str, words: str, side: str) -> tuple[Setting, ...]:
    more = "more" if side == "above" else "less"
    least, most = (1.0, math.inf) if side == "above" else (0.0, 1.0)
    return (
        Setting(
            path=f"review.{name}.factor",
            words=f"{words}: spreads {side} typical",
            help="Robust standard deviations from the filter’s typical value. Empty: not compared "
            "with it at all.",
            unit="σ",
            optional=True,
            least=0.1,
        ),
        Setting(
            path=f"review.{name}.tightest",
            words=f"{words}: kept in any case up to",
            help=f"Times typical; a steady night rejects nothing that is no {more} than this.",
            unit="×",
            least=least,
            most=most,
        ),
        Setting(
            path=f"review.{name}.loosest",
            words=f"{words}: rejected in any case from",
            unit="×",
            least=least,
            most=most,
        ),
    )


PARTS = (
    Part(
        name="calibration",
        title="Calibration",
        about="How calibration frames are brought to lights, and what else is done to each sub.",
        settings=(
            Setting(
                path="calibration.dark_doubling_c",
                words="Warming that doubles the dark current",
                help="With it, darks of another temperature are scaled; cameras differ, 5 to 8 °C "
                "are usual. Empty: they are not scaled by temperature.",
                unit="°C",
                optional=True,
                least=1,
                most=30,
            ),
            Setting(
                path="calibration.cosmic_rays",
                words="Look for cosmic rays",
                help="In single subs, one by one; from five subs on, rejection finds nearly all.",
                form=Form.CHOICE,
                choices=(
                    ("off", "in none"),
                    ("few", "where fewer than five subs are stacked"),
                    ("all", "in all"),
                ),
            ),
        ),
    ),
    Part(
        name="masters",
        title="Masters",
        about="How calibration frames are combined into masters.",
        settings=_rejection("masters"),
    ),
    Part(
        name="stars",
        title="Stars",
        about="How stars are found and measured in every sub.",
        settings=(
            Setting(
                path="stars.box_px",
                words="Side of a background box",
                help="Several times the diameter of a star, at least 16.",
                form=Form.COUNT,
                unit="px",
                least=16,
            ),
            Setting(
                path="stars.detect_snr",
                words="Faintest star found",
                help="Signal-to-noise ratio, at least 3.",
                least=3,
            ),
            Setting(
                path="stars.count_snr",
                words="Faintest star counted",
                help="Signal-to-noise ratio, no less than that of the faintest star found.",
            ),
            _count("stars.max_stars", "Stars listed for registration"),
            _count("stars.max_fitted", "Stars whose shape is fitted"),
            _count(
                "stars.min_stars",
                "Fewest fitted shapes",
                "With fewer, FWHM and eccentricity are unknown.",
            ),
        ),
    ),
    Part(
        name="review",
        title="Review",
        about="What a sub must not exceed within its target, setup and filter. The limits can "
        "also be moved in the ribbon.",
        settings=(
            *_relative("fwhm", "FWHM", "above"),
            Setting(
                path="review.fwhm_max_px",
                words="FWHM in px: at most",
                help="Whatever is typical. Empty: no such limit.",
                unit="px",
                optional=True,
            ),
            Setting(
                path="review.fwhm_max_arcsec", words="FWHM in ″: at most", unit="″", optional=True
            ),
            Setting(
                path="review.eccentricity_factor",
                words="Eccentricity: spreads above typical",
                help="Empty: not compared with the typical value.",
                unit="σ",
                optional=True,
            ),
            Setting(
                path="review.eccentricity_tightest",
                words="Eccentricity: kept in any case up to",
                help="0 is round; 0.6 is hardly seen.",
                most=1,
            ),
            Setting(
                path="review.eccentricity_loosest",
                words="Eccentricity: rejected in any case from",
                most=1,
            ),
            Setting(
                path="review.eccentricity_step",
                words="… or from this above typical",
                help="For nights on which all stars are elongated.",
                most=1,
            ),
            Setting(
                path="review.eccentricity_max",
                words="Eccentricity: at most",
                help="Whatever is typical.",
                optional=True,
                most=1,
            ),
            *_relative("transparency", "Transparency", "below"),
            Setting(path="review.transparency_min", words="Transparency: at least", optional=True),
            *_relative("stars", "Star count", "below"),
            Setting(
                path="review.stars_min",
                words="Star count: at least",
                help="Fewer cannot be registered.",
                form=Form.COUNT,
                optional=True,
            ),
            *_relative("sky", "Sky level", "above"),
            Setting(
                path="review.sky_max_adu", words="Sky level: at most", unit="ADU", optional=True
            ),
        ),
    ),
    Part(
        name="registration",
        title="Registration",
        about="How subs are placed on the grid.",
        settings=(
            Setting(
                path="registration.model",
                words="Subs may differ by",
                form=Form.CHOICE,
                choices=(
                    ("similarity", "shift, rotation, scale and mirror"),
                    ("affine", "stretch and shear as well"),
                ),
            ),
        ),
    ),
    Part(
        name="stacking",
        title="Stacking",
        about="How subs are combined into stacks.",
        settings=_rejection("stacking"),
    ),
    Part(
        name="export",
        title="Channels",
        about="How the channels are written. FITS channels are always linear float32.",
        settings=(
            Setting(
                path="export.tiff",
                words="TIFF files",
                form=Form.CHOICE,
                choices=(("uint16", "16 bits"), ("float32", "floating point, 32 bits")),
            ),
            Setting(
                path="export.stretch",
                words="Stretch TIFF files to look at",
                help="Otherwise their values stay linear.",
                form=Form.SWITCH,
            ),
        ),
    ),
    Part(
        name="planning",
        title="Planning",
        about="What the findings and the advice for the next nights go by.",
        settings=(
            Setting(
                path="planning.latitude_deg",
                words="Latitude of the telescope",
                help="North of the equator, south with a minus. For frames whose headers do not "
                "tell the place; shades twilight and tells when the target is next high.",
                unit="°",
                optional=True,
                least=-90,
                most=90,
            ),
            Setting(
                path="planning.longitude_deg",
                words="Longitude of the telescope",
                help="East of Greenwich, west with a minus.",
                unit="°",
                optional=True,
                least=-180,
                most=180,
            ),
            Setting(
                path="planning.height_m",
                words="Height of the telescope",
                help="Above the sea.",
                unit="m",
                optional=True,
                least=-500,
                most=9000,
            ),
            Setting(
                path="planning.gain",
                words="Hours are told for S/N",
                help="Times that of now; twice as good takes four times the exposure.",
                unit="×",
                least=1.01,
                most=10,
            ),
        ),
    ),
)
