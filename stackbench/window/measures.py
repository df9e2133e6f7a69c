"""The measures that can be drawn and compared, and how they are written."""

from dataclasses import dataclass

from stackbench.job.movedlimits import MOVABLE


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One measure: its field's name, its name in words, its unit, its decimals."""

    name: str
    words: str
    unit: str = ""
    decimals: int = 2

    @property
    def movable(self) -> bool:
        """Whether its limit can be moved.

        Returns
        -------
        bool
            False for what has no limit.
        """
        return self.name in MOVABLE

    def written(self, value: float | None) -> str:
        """Write a value with its unit.

        Parameters
        ----------
        value : float or None
            The value.

        Returns
        -------
        str
            A dash for unknown.
        """
        if value is None:
            return "–"
        return f"{value:,.{self.decimals}f}".replace(",", "\u202f").replace("-", "−") + self.unit


MEASURES = (
    Measure(name="fwhm_px", words="FWHM", unit=" px"),
    Measure(name="eccentricity", words="Eccentricity"),
    Measure(name="stars", words="Stars", decimals=0),
    Measure(name="transparency", words="Transparency"),
    Measure(name="sky_adu", words="Sky level", unit=" ADU", decimals=1),
    Measure(name="noise_adu", words="Noise", unit=" ADU", decimals=1),
    Measure(name="rms_px", words="Registration error", unit=" px"),
    Measure(name="temperature_c", words="Sensor temperature", unit=" °C", decimals=1),
    Measure(name="focus_position", words="Focus position", decimals=0),
    Measure(name="altitude_deg", words="Altitude", unit="°", decimals=0),
    Measure(name="ambient_temperature_c", words="Air temperature", unit=" °C", decimals=1),
)


# What comes from the headers and not from the pixels, and what it needs there.
HEADER_NEEDS = {
    "temperature_c": "the headers do not give it",
    "focus_position": "the headers do not give it",
    "ambient_temperature_c": "the headers do not give it",
    "altitude_deg": "it needs site, time and pointing, or the airmass, in the headers",
}


def lowered(words: str) -> str:
    """Write a measure's name within a sentence.

    Parameters
    ----------
    words : str
        Its name.

    Returns
    -------
    str
        With a small first letter, unless it is an abbreviation.
    """
    return words if words[:2].isupper() else words[0].lower() + words[1:]


def measure_named(name: str) -> Measure:
    """Find a measure.

    Parameters
    ----------
    name : str
        Its field's name.

    Returns
    -------
    Measure
        The first one if the name is not known.
    """
    return next((one for one in MEASURES if one.name == name), MEASURES[0])
