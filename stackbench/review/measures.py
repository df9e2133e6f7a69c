"""What was measured on one sub, as plain numbers."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SubMeasures:
    """The measures of one sub that a verdict rests on.

    Unknown is None (NaN is read as None), never 0. `fwhm_px` and
    `fwhm_arcsec` are the median star's, of the profile as recorded;
    `eccentricity` is √(1 − (b/a)²) of its axes, and `elongation_deg` where
    its long axis points, from +x towards +y. `stars` counts to a fixed limit.
    `sky_adu` is the calibrated background level and `noise_adu` its standard
    deviation per pixel. `transparency` is the star flux per second relative
    to the reference, 1 for equal. `matched` and `rms_px` tell of the
    registration; `registration_failure` says in words why there is none, and
    `measuring_failure` why there are no measures.
    """

    fwhm_px: float | None = None
    fwhm_arcsec: float | None = None
    eccentricity: float | None = None
    elongation_deg: float | None = None
    stars: int | None = None
    sky_adu: float | None = None
    noise_adu: float | None = None
    transparency: float | None = None
    exposure_s: float | None = None
    matched: int | None = None
    rms_px: float | None = None
    registration_failure: str | None = None
    measuring_failure: str | None = None
