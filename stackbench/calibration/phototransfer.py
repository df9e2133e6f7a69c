"""Gain and read noise of a camera from pairs of its flats and bias frames."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.statistics import clipped_sigma
from stackbench.calibration.survey import sample_rows
from stackbench.frames.rows import RowSource


@dataclass(frozen=True, slots=True, kw_only=True)
class GainAndReadNoise:
    """What one ADU is worth, and the noise of reading a pixel out.

    `read_noise_adu` is `read_noise_e` over the gain. `gain_error` is 1σ of the
    gain, e⁻/ADU, from the number of pixels alone.
    """

    gain_e_per_adu: float
    gain_error: float
    read_noise_e: float
    read_noise_adu: float


def gain_and_read_noise(
    flat1: NDArray[np.float32],
    flat2: NDArray[np.float32],
    bias1: NDArray[np.float32],
    bias2: NDArray[np.float32],
) -> GainAndReadNoise | None:
    """Measure gain and read noise from two flats and two bias frames.

    g = ((F1 + F2) − (B1 + B2)) / (σ²(F1 − F2) − σ²(B1 − B2)), means over the
    pixels given; R = g σ(B1 − B2) / √2. Differences of pairs cancel the fixed
    pattern. Instead of bias frames a pair of darks of the flats' exposure
    serves as well.

    Parameters
    ----------
    flat1, flat2, bias1, bias2 : ndarray, float32
        The same pixels of four frames, raw ADU, all of one shape; undefined
        and saturated ones NaN.

    Returns
    -------
    GainAndReadNoise or None
        None when the flats are not brighter and noisier than the bias frames.

    Notes
    -----
    σ is that of `clipped_sigma` (median start, clipped at 5σ, ddof 1), so that
    single cosmic-ray hits and hot pixels do not count.

    References
    ----------
    Janesick 2001, Scientific Charge-Coupled Devices; Howell 2006, Handbook of
    CCD Astronomy, 2nd ed., section 4.3.
    """
    defined = np.isfinite(flat1) & np.isfinite(flat2) & np.isfinite(bias1) & np.isfinite(bias2)
    if np.count_nonzero(defined) < 2:
        return None
    pixels = [image[defined].astype(np.float64) for image in (flat1, flat2, bias1, bias2)]
    signal = float(pixels[0].mean() + pixels[1].mean() - pixels[2].mean() - pixels[3].mean())
    bias_sigma = clipped_sigma(pixels[2] - pixels[3])
    lit_variance = clipped_sigma(pixels[0] - pixels[1]) ** 2
    variance = lit_variance - bias_sigma**2
    if not (signal > 0 and variance > 0):
        return None
    gain = signal / variance
    read_noise_adu = bias_sigma / math.sqrt(2)
    # σ² of n normal values is known to √(2 / (n − 1)) of itself; the level is known far better
    known_to = math.sqrt(2 / (len(pixels[0]) - 1))
    return GainAndReadNoise(
        gain_e_per_adu=gain,
        gain_error=gain * known_to * math.hypot(lit_variance, bias_sigma**2) / variance,
        read_noise_e=gain * read_noise_adu,
        read_noise_adu=read_noise_adu,
    )


def measure_camera(
    flats: tuple[RowSource, RowSource],
    biases: tuple[RowSource, RowSource],
    *,
    saturation_adu: float | None = None,
) -> GainAndReadNoise | None:
    """Measure gain and read noise from the rows of two flats and two bias frames.

    Parameters
    ----------
    flats : tuple of RowSource
        Two flats of the same filter; their levels may differ.
    biases : tuple of RowSource
        Two bias frames, or darks of the flats' exposure.
    saturation_adu : float, optional
        Pixels at or above this raw value in a flat are left out.

    Returns
    -------
    GainAndReadNoise or None
        From a sample of rows; None when nothing can be told.

    Notes
    -----
    Twilight flats differ in level, and so does their fixed pattern, which the
    plain difference would then count as noise. So the brighter one, above its
    bias, is brought to the level of the other with k < 1: its photon noise
    counts k²-fold and its level k-fold, so that with level m of the fainter
    σ² = m (1 + k)/g + (1 + k²) R² (ADU), from which g follows. For k = 1 this
    is the formula of `gain_and_read_noise`.
    """
    lit = [sample_rows(flat) for flat in flats]
    unlit = [sample_rows(bias) for bias in biases]
    if saturation_adu is not None:
        for rows in lit:
            rows[rows >= np.float32(saturation_adu)] = np.nan
    signals = [float(np.nanmean(rows, dtype=np.float64)) for rows in lit]
    level = float(np.mean([np.nanmean(rows, dtype=np.float64) for rows in unlit]))
    signals = [signal - level for signal in signals]
    if not min(signals) > 0:
        return None
    share = min(signals) / max(signals)
    brighter = signals.index(max(signals))
    lit[brighter] = (lit[brighter] - np.float32(level)) * np.float32(share) + np.float32(level)
    plain = gain_and_read_noise(lit[0], lit[1], unlit[0], unlit[1])
    if plain is None:
        return None
    read_variance = plain.read_noise_adu**2
    # σ²(F1 − F2) as the plain formula had it, with the parts weighed anew
    variance = 2 * min(signals) / plain.gain_e_per_adu + 2 * read_variance
    photons = variance - (1 + share**2) * read_variance
    if not photons > 0:
        return None
    gain = min(signals) * (1 + share) / photons
    return GainAndReadNoise(
        gain_e_per_adu=gain,
        gain_error=plain.gain_error * gain / plain.gain_e_per_adu,
        read_noise_e=gain * plain.read_noise_adu,
        read_noise_adu=plain.read_noise_adu,
    )
