"""What makes a master doubtful, put into words: each with its cause and remedy.

All limits are common practice, no source, unless they say otherwise.
"""

from collections.abc import Sequence

import numpy as np

from stackbench.calibration.darkshape import DarkShape
from stackbench.calibration.flatresidue import FlatResidue
from stackbench.calibration.trends import Trend
from stackbench.frames.records import Problem
from stackbench.frames.words import percent

# Of saturation: beyond, a flat's bright parts leave the linear range; below,
# the steps of the converter and the bias's error weigh too much.
_BRIGHTEST_FLAT, _FAINTEST_FLAT = 0.8, 0.1
# How many times its error something must be before it is said.
_SIGNIFICANT = 5.0
# Less than this does no harm to a light.
_HARMLESS_ADU = 2.0
_LEAST_TO_TREND = 5
_GAIN_DIFFERENCE = 0.15
# A residue is said when it is this share of the flat's shape, moves the
# background by this part of itself, and is what the background's shape consists of.
_RESIDUE_SHARE, _RESIDUE_SWING, _RESIDUE_EXPLAINED = 0.05, 0.01, 0.5
_LEAST_LIGHTS = 3


def flat_level_problem(
    level_adu: float, saturation_adu: float | None, *, name: str
) -> Problem | None:
    """Warn of flats that are nearly saturated or nearly dark.

    Parameters
    ----------
    level_adu : float
        Median raw level of the flats that are used.
    saturation_adu : float or None
        Raw value from which a pixel is saturated.
    name : str
        What the flats are called, as in "flat Ha".

    Returns
    -------
    Problem or None
        None between 10 % and 80 % of saturation, and when that is unknown.
    """
    if saturation_adu is None or not saturation_adu > 0:
        return None
    share = level_adu / saturation_adu
    if share > _BRIGHTEST_FLAT:
        return Problem(
            what=f"The frames of the master {name} are very bright",
            why=f"Their median level is {percent(share)} of saturation, limit "
            f"{percent(_BRIGHTEST_FLAT)}: "
            "near saturation a camera no longer answers in proportion to the light.",
            remedy="Expose flats to about half of saturation.",
        )
    if share < _FAINTEST_FLAT:
        return Problem(
            what=f"The frames of the master {name} are very faint",
            why=f"Their median level is {percent(share)} of saturation, limit "
            f"{percent(_FAINTEST_FLAT)}: "
            "their noise, and every error of the level under them, goes into the lights.",
            remedy="Expose flats to about half of saturation.",
        )
    return None


def growth_problem(
    growth: Trend | None, *, frames: int, noise_adu: float, name: str
) -> Problem | None:
    """Warn of darks whose level changes steadily from the first to the last.

    Parameters
    ----------
    growth : Trend or None
        Of the frames' levels, ADU, in the order in which they were taken.
    frames : int
        How many there are; fewer than five do not tell.
    noise_adu : float
        Random noise of a pixel of one frame.
    name : str
        What the darks are called.

    Returns
    -------
    Problem or None
        None when the change is within five times its error, 2 ADU or half the
        noise of a pixel.
    """
    if growth is None or frames < _LEAST_TO_TREND or growth.significance < _SIGNIFICANT:
        return None
    if abs(growth.change) <= max(_HARMLESS_ADU, noise_adu / 2):
        return None
    word = "rises" if growth.change > 0 else "falls"
    return Problem(
        what=f"The level of the frames of the master {name} {word} steadily",
        why=f"By {abs(growth.change):.1f} ADU from the first to the last: light that leaks in at "
        "dusk or dawn does that, and a sensor that has not reached its temperature.",
        remedy="Cover the camera, wait until it is cold, and take the darks again.",
    )


def leak_problem(shape: DarkShape | None, *, name: str) -> Problem | None:
    """Warn of a dark that is brighter towards one side.

    Parameters
    ----------
    shape : DarkShape or None
        Of the master dark without its bias.
    name : str
        What the dark is called.

    Returns
    -------
    Problem or None
        None when the rise is within five times its error, 2 ADU or half of the
        dark's own level, and where one place stands further above the plane than
        the plane rises: that glows, and its foot tilts the plane.
    """
    if shape is None or shape.rise <= _SIGNIFICANT * shape.rise_error:
        return None
    if shape.rise <= max(_HARMLESS_ADU, abs(shape.level) / 2):
        return None
    if shape.glow > max(shape.rise, _SIGNIFICANT * shape.glow_error):
        return None
    return Problem(
        what=f"The master {name} is brighter towards one side",
        why=f"It rises by {shape.rise:.1f} ADU from edge to edge, where the dark current is "
        f"{shape.level:.1f} ADU: light has leaked in.",
        remedy="Take the darks again in the dark, with cap and wheel closed; "
        "compare one taken with the telescope covered.",
    )


def glow_problem(
    shape: DarkShape | None, *, dark_scale: float, noise_adu: float, name: str
) -> Problem | None:
    """Warn of amplifier glow in a dark that is scaled by exposure.

    Parameters
    ----------
    shape : DarkShape or None
        Of the master dark without its bias.
    dark_scale : float
        The factor on the dark.
    noise_adu : float
        Random noise of a pixel of one dark.
    name : str
        What the dark is called.

    Returns
    -------
    Problem or None
        None when nothing glows by five times the scatter of a tile, or when
        what scaling could be wrong by is within 2 ADU and a tenth of the
        noise of a pixel.
    """
    if shape is None or shape.glow <= _SIGNIFICANT * shape.glow_error:
        return None
    wrong = shape.glow * abs(dark_scale - 1)
    if wrong <= max(_HARMLESS_ADU, noise_adu / 10):
        return None
    return Problem(
        what=f"The master {name} glows, and is scaled by {dark_scale:.3g}",
        why=f"Its {shape.glow_place} is {shape.glow:.0f} ADU above the rest: amplifier glow, which "
        f"is not proportional to exposure, so that up to {wrong:.0f} ADU may stay in the lights.",
        remedy="Take darks of the lights' own exposure.",
    )


def residue_problem(residues: Sequence[FlatResidue], *, name: str) -> Problem | None:
    """Warn of a flat whose shape is left in the lights that it calibrated.

    Parameters
    ----------
    residues : sequence of FlatResidue
        One of each light that was looked at, of one flat.
    name : str
        What the flat is called.

    Returns
    -------
    Problem or None
        None with fewer than three lights, and unless nearly all agree: in
        sign, beyond five times the error, and in that the flat's shape explains
        at least half of what the background varies.
    """
    if len(residues) < _LEAST_LIGHTS:
        return None
    share = float(np.median([one.share for one in residues]))
    agreeing = [
        one
        for one in residues
        if one.share * share > 0
        and abs(one.share) > _SIGNIFICANT * one.error
        and one.explained > _RESIDUE_EXPLAINED
        and one.swing > _RESIDUE_SWING
    ]
    if abs(share) < _RESIDUE_SHARE or len(agreeing) < 0.8 * len(residues):
        return None
    swing = float(np.median([one.swing for one in agreeing]))
    word, where = ("little", "bright") if share > 0 else ("much", "dark")
    return Problem(
        what=f"The {name} corrects too {word}",
        why=f"In {len(agreeing)} of {len(residues)} lights looked at the background is {where} "
        f"where the flat is bright: {percent(abs(share))} of the flat's shape, {percent(swing, 1)} "
        "of the background.",
        remedy="Check that flats and lights each have the bias or dark of their own gain and "
        "offset, and that no stray light fell on the flats; a large nebula can look the same.",
    )


def negative_problem(skies_adu: Sequence[float], *, name: str) -> Problem | None:
    """Warn of lights that lie below the level that is subtracted from them.

    Parameters
    ----------
    skies_adu : sequence of float
        Background of each calibrated light that one dark or bias serves.
    name : str
        What is subtracted.

    Returns
    -------
    Problem or None
        None with fewer than three lights, and unless their median is below
        −2 ADU by three times its error.
    """
    skies = np.array([sky for sky in skies_adu if np.isfinite(sky)])
    if skies.size < _LEAST_LIGHTS:
        return None
    middle = float(np.median(skies))
    error = float(skies.std(ddof=1)) / skies.size**0.5
    if middle + 3 * error >= -_HARMLESS_ADU:
        return None
    return Problem(
        what=f"The master {name} is brighter than the lights",
        why=f"The median of their backgrounds is {middle:.1f} ADU after it was subtracted, though "
        "no sky is darker than nothing: the camera's zero level was another one, or the dark "
        "holds light.",
        remedy="Check that both have the same offset, gain and read mode, and take the bias or "
        "darks again, on the same night if the level wanders.",
    )


def gain_problem(header: float | None, measured: float | None, *, name: str) -> Problem | None:
    """Warn of a header's gain that is not the one measured.

    Parameters
    ----------
    header : float or None
        e⁻/ADU, as the headers give it.
    measured : float or None
        e⁻/ADU, from flats and bias frames.
    name : str
        What the camera is called.

    Returns
    -------
    Problem or None
        None when one is unknown, or they differ by 15 % of the measured one or less.
    """
    if header is None or measured is None or abs(header / measured - 1) <= _GAIN_DIFFERENCE:
        return None
    return Problem(
        what=f"The headers of {name} give another gain than its frames",
        why=f"EGAIN says {header:.3g} e⁻/ADU, flats and bias frames say {measured:.3g} e⁻/ADU "
        f"({header / measured - 1:+.0%}).".replace("-", "−"),
        remedy="Believe the measured one if the flats' light was steady, and correct the camera's "
        "driver settings; bit depth or binning are the usual causes.",
    )
