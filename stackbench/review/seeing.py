"""Seeing against altitude, and how finely the camera samples it."""

import math
from collections.abc import Sequence

import numpy as np

from stackbench.frames.words import percent
from stackbench.review.findings import Confidence, Figure, Finding, Topic
from stackbench.review.observations import Observation
from stackbench.review.series import begin_of, end_of, fit_linear, in_time, robust_sigma

_LEAST_SUBS = 8
# Seeing goes with airmass to this power (Kolmogorov turbulence; Fried 1966, from memory).
SEEING_POWER = 0.6
# Fewer px per FWHM lose detail (sampling theorem); the number is common
# practice, no source, since a star's profile is not band-limited.
_LEAST_SAMPLING = 1.8
# From here on pixels binned 2 × 2 still have 2.5 px per FWHM (common practice, no source).
_FINE_SAMPLING = 5.0
_LOW_AIRMASS = 1.8


def seeing_at(airmass: float, *, zenith: float = 1.0) -> float:
    """Return the seeing that turbulence gives at an airmass.

    Parameters
    ----------
    airmass : float
        X, 1 or more.
    zenith : float
        Seeing at the zenith, any unit.

    Returns
    -------
    float
        zenith X^0.6, in the same unit.
    """
    return float(zenith * airmass**SEEING_POWER)


def fried_length_cm(fwhm_arcsec: float, *, wavelength_nm: float = 500.0) -> float:
    """Return the size of the air's cells that blurs stars to a FWHM.

    Parameters
    ----------
    fwhm_arcsec : float
        FWHM of stars blurred by nothing else, arcseconds.
    wavelength_nm : float
        λ, nanometres.

    Returns
    -------
    float
        r₀ = 0.98 λ / FWHM, centimetres.

    References
    ----------
    Fried 1966, J. Opt. Soc. Am. 56, 1372; the factor from memory.
    """
    return 0.98 * wavelength_nm * 1e-7 / math.radians(fwhm_arcsec / 3600)


def airmass_at(altitude_deg: float) -> float:
    """Return the airmass at an altitude, down to the horizon.

    Parameters
    ----------
    altitude_deg : float
        True altitude above the horizon, degrees, 0 or more.

    Returns
    -------
    float
        1/(sin h + 0.50572 (h + 6.07995)^−1.6364); 0.9997 at the zenith.

    Raises
    ------
    ValueError
        Below the horizon.

    References
    ----------
    Kasten & Young 1989, Applied Optics 28, 4735, eq. 3.
    """
    if altitude_deg < 0:
        raise ValueError(f"no airmass below the horizon, got {altitude_deg:g}°")
    return float(
        1 / (math.sin(math.radians(altitude_deg)) + 0.50572 * (altitude_deg + 6.07995) ** -1.6364)
    )


def zenith_seeing(subs: Sequence[Observation]) -> tuple[float, float] | None:
    """Reduce the FWHM of a night to the zenith.

    Parameters
    ----------
    subs : sequence of Observation
        Subs with airmass.

    Returns
    -------
    tuple of float, or None
        Median of FWHM / X^0.6, arcseconds, and its scaled MAD; None when
        airmass or image scale is unknown.
    """
    values = np.array(
        [
            one.measures.fwhm_arcsec / one.airmass**SEEING_POWER
            for one in subs
            if one.measures.fwhm_arcsec is not None and one.airmass is not None
        ]
    )
    if len(values) < _LEAST_SUBS:
        return None
    return float(np.median(values)), robust_sigma(values)


def seeing_findings(subs: Sequence[Observation]) -> list[Finding]:
    """Tell subs taken too low, and a camera that samples too coarsely or finely.

    Parameters
    ----------
    subs : sequence of Observation
        The subs of one target and setup, all filters.

    Returns
    -------
    list of Finding
        None, one or two.
    """
    ordered = in_time(subs)
    if len(ordered) < _LEAST_SUBS:
        return []
    return [*_low(ordered), *_sampling(ordered)]


def _low(subs: Sequence[Observation]) -> list[Finding]:
    """Tell of subs so low that the air widens stars by a quarter or more against the rest."""
    known = [one for one in subs if one.airmass is not None and one.measures.fwhm_px is not None]
    low = [one for one in known if (one.airmass or 0.0) > _LOW_AIRMASS]
    if len(known) < _LEAST_SUBS or len(low) < 3:
        return []
    names = sorted({str(one.filter) for one in known})
    columns = [np.array([float(str(one.filter) == name) for one in known]) for name in names]
    x = np.log([one.airmass or 1.0 for one in known])
    if np.ptp(x) < 0.3:
        return []
    fit = fit_linear([*columns, x], np.log([one.measures.fwhm_px or 1.0 for one in known]))
    if fit is None:
        return []
    power, error = float(fit.coefficients[-1]), float(fit.errors[-1])
    if not (power > 5 * error and abs(power - SEEING_POWER) < max(3 * error, 0.3)):
        return []
    worst = max(one.airmass or 1.0 for one in low)
    loss = seeing_at(worst) / seeing_at(min(one.airmass or 1.0 for one in known)) - 1
    return [
        Finding(
            topic=Topic.SEEING,
            cause="low altitude",
            title=f"{len(low)} subs were taken low, at airmass up to {worst:.1f}",
            text="Stars grew as the target stood lower, as seeing does: by "
            f"{percent(loss)} between the highest and the lowest sub.",
            evidence=(
                f"FWHM goes with airmass to the power {power:.2f} ± {error:.2f}; "
                "turbulence gives 0.6",
            ),
            confidence=Confidence.LIKELY,
            figures=(Figure(name="power of airmass", value=power, uncertainty=error),),
            subs=tuple(one.path for one in low),
            measures=("fwhm_px",),
            start=begin_of(low[0]),
            end=end_of(low[-1]),
            remedy="Take the filter that carries the detail while the target stands high, and "
            "colour or narrow bands when it is low.",
        )
    ]


def _sampling(subs: Sequence[Observation]) -> list[Finding]:
    """Tell of stars that spread over too few pixels, or over more than their detail needs."""
    widths = [one.measures.fwhm_px for one in subs if one.measures.fwhm_px is not None]
    if len(widths) < _LEAST_SUBS:
        return []
    typical = float(np.median(widths))
    if _LEAST_SAMPLING <= typical < _FINE_SAMPLING:
        return []
    coarse = typical < _LEAST_SAMPLING
    return [
        Finding(
            topic=Topic.SEEING,
            cause="coarse sampling" if coarse else "fine sampling",
            title=f"Stars are {'only ' if coarse else ''}{typical:.1f} px wide",
            text="The pixels are coarse for this sharpness: two or more per FWHM keep all detail."
            if coarse
            else "The pixels are finer than this sharpness needs: two to three per FWHM keep "
            "nearly all detail, as is common practice.",
            evidence=(f"median FWHM {typical:.2f} px in {len(widths)} subs",),
            confidence=Confidence.CERTAIN,
            figures=(Figure(name="FWHM", value=typical, unit="px"),),
            subs=(),
            measures=("fwhm_px",),
            start=begin_of(subs[0]),
            end=end_of(subs[-1]),
            remedy="Nothing is wrong; dithered subs carry more detail than one grid of these "
            "pixels shows."
            if coarse
            else "Binning is not needed; binned 2 × 2 such nights lose next to no detail, make "
            "files a quarter as large, and are read out with less noise where the camera bins "
            "before reading. Where sharper stars are usual, look at focus and seeing first.",
        )
    ]
