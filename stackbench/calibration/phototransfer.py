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

    `read_noise_adu` is `read_noise_e` over the gain.
    """

    gain_e_per_adu: float
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
    variance = clipped_sigma(pixels[0] - pixels[1]) ** 2 - bias_sigma**2
    if not (signal > 0 and variance > 0):
        return None
    gain = signal / variance
    read_noise_adu = bias_sigma / math.sqrt(2)
    return GainAndReadNoise(
        gain_e_per_adu=gain, read_noise_e=gain * read_noise_adu, read_noise_adu=read_noise_adu
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
        Two flats of the same filter and about the same brightness.
    biases : tuple of RowSource
        Two bias frames, or darks of the flats' exposure.
    saturation_adu : float, optional
        Pixels at or above this raw value in a flat are left out.

    Returns
    -------
    GainAndReadNoise or None
        From a sample of rows; None when nothing can be told.
    """
    lit = [sample_rows(flat) for flat in flats]
    if saturation_adu is not None:
        for rows in lit:
            rows[rows >= np.float32(saturation_adu)] = np.nan
    return gain_and_read_noise(lit[0], lit[1], sample_rows(biases[0]), sample_rows(biases[1]))
