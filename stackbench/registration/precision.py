"""How well a star's place is known."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

_FWHM_TO_SIGMA = 1 / np.sqrt(8 * np.log(2))
# A recorded star is blurred by its pixels: a box of width 1 has variance 1/12.
_PIXEL_VARIANCE = 1 / 12
# What optics, guiding and sampling leave even of the brightest star.
_FLOOR_PX = 0.02


def centroid_errors(
    flux_adu: ArrayLike,
    *,
    fwhm_px: float,
    noise_adu: float,
    gain_e_per_adu: float | None = None,
    floor_px: float = _FLOOR_PX,
) -> NDArray[np.float64]:
    """Estimate the centroid error of stars from their fluxes.

    Parameters
    ----------
    flux_adu : array_like, shape (n,)
        Star fluxes, ADU; not above 0 or NaN gives an error of NaN.
    fwhm_px : float
        FWHM as recorded (integrated over pixels), pixels.
    noise_adu : float
        Standard deviation of the background per pixel, ADU.
    gain_e_per_adu : float, optional
        Gain; adds the photon noise of the star itself.
    floor_px : float, optional
        Error that is left for the brightest stars, pixels.

    Returns
    -------
    ndarray, shape (n,), float64
        Standard deviation of the position per axis, pixels.

    Raises
    ------
    ValueError
        If `fwhm_px` or `noise_adu` is not above 0.

    References
    ----------
    Thompson, Larson & Webb 2002, Biophys. J. 82, 2775: (σ² + 1/12)/N +
    8πσ⁴b²/N². It is optimistic by 10 to 30 %, which weights do not notice.
    """
    if not (fwhm_px > 0 and noise_adu > 0):
        raise ValueError(f"FWHM and noise must be above 0, got {fwhm_px}, {noise_adu}")
    flux = np.asarray(flux_adu, dtype=np.float64)
    flux = np.where(flux > 0, flux, np.nan)
    recorded = (fwhm_px * _FWHM_TO_SIGMA) ** 2
    optical = max(recorded - _PIXEL_VARIANCE, _PIXEL_VARIANCE)
    variance = 8 * np.pi * optical**2 * (noise_adu / flux) ** 2 + floor_px**2
    if gain_e_per_adu is not None:
        variance = variance + recorded / (flux * gain_e_per_adu)
    errors: NDArray[np.float64] = np.sqrt(variance)
    return errors
