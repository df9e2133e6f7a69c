"""Gain and read noise of a camera from pairs of its flats and bias frames."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.calibration.statistics import clipped_sigma, pair_sigma
from stackbench.calibration.survey import sample_rows
from stackbench.frames.rows import RowSource

# A signal below this part of saturation counts as linear.
_LINEAR_SHARE = 0.7
# Of whole ADU: a uniform distribution of width 1.
_ROUNDING_VARIANCE = 1 / 12


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


@dataclass(frozen=True, slots=True, kw_only=True)
class TransferPoint:
    """One point of the photon transfer: the noise of a frame at a level of light.

    `signal_adu` is the level above the bias, `variance_adu2` the variance of a
    pixel from frame to frame at that level, and `error_adu2` its 1σ.
    """

    signal_adu: float
    variance_adu2: float
    error_adu2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCamera(GainAndReadNoise):
    """Gain and read noise from all pairs, and the pairs as points.

    `read_noise_error` is 1σ, e⁻, with that of the gain inside. The first of
    `points` is that of the bias frames, the others are one for each pair of
    flats.
    """

    read_noise_error: float
    points: tuple[TransferPoint, ...]


def measure_camera(
    flats: Sequence[tuple[RowSource, RowSource]],
    biases: Sequence[tuple[RowSource, RowSource]],
    *,
    saturation_adu: float | None = None,
) -> MeasuredCamera | None:
    """Measure gain and read noise from the rows of pairs of flats and of bias frames.

    Parameters
    ----------
    flats : sequence of tuple of RowSource
        Pairs of flats of the same filter; the levels of the two may differ.
    biases : sequence of tuple of RowSource
        Pairs of bias frames, or of darks of the flats' exposure.
    saturation_adu : float, optional
        Pixels at or above this raw value in a flat are left out.

    Returns
    -------
    MeasuredCamera or None
        From a sample of rows; None when nothing can be told.

    Notes
    -----
    Twilight flats differ in level, and so does their fixed pattern, which the
    plain difference would then count as noise. So the brighter one, above its
    bias, is brought to the level of the other with k < 1: its photon noise
    counts k²-fold and its level k-fold, so that with level m of the fainter
    σ² = m (1 + k)/g + (1 + k²) R² (ADU), from which g follows. For k = 1 this
    is the formula of `gain_and_read_noise`.

    The gains of the pairs are averaged with weights 1/σ². Pairs brighter than
    70 % of saturation are left out of that when others are there: near full
    well the noise falls behind (EMVA 1288 Release 4.0 Linear evaluates up to
    70 %, from memory). The variance of reading is the mean over the bias pairs.
    """
    unlit = [(sample_rows(first), sample_rows(second)) for first, second in biases]
    measured: list[tuple[GainAndReadNoise, TransferPoint]] = []
    for index, (first, second) in enumerate(flats):
        lit = (sample_rows(first), sample_rows(second))
        found = _one_pair(lit, unlit[index % len(unlit)], saturation_adu) if unlit else None
        if found is not None:
            measured.append(found)
    if not measured:
        return None
    limit = math.inf if saturation_adu is None else _LINEAR_SHARE * saturation_adu
    fit = [gain for gain, point in measured if point.signal_adu < limit]
    gains = fit or [gain for gain, _ in measured]
    weights = np.array([gain.gain_error**-2 for gain in gains])
    gain = float(np.average([one.gain_e_per_adu for one in gains], weights=weights))
    gain_error = float(weights.sum() ** -0.5)
    dark = _bias_point(unlit)
    noise = math.sqrt(dark.variance_adu2)
    noise_error = dark.error_adu2 / (2 * noise) if noise > 0 else 0.0
    return MeasuredCamera(
        gain_e_per_adu=gain,
        gain_error=gain_error,
        read_noise_e=gain * noise,
        read_noise_adu=noise,
        read_noise_error=math.hypot(gain * noise_error, gain_error * noise),
        points=(dark, *(point for _, point in measured)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TransferLine:
    """The straight line through a photon transfer: variance = intercept + slope × signal.

    `slope` is K, ADU per e⁻, the inverse of the gain; `dark_noise_e` the noise
    without light, freed of the rounding to whole ADU (0 when that explains it).
    `deviation` is the largest deviation of a point from the line, as a share
    of the line.
    """

    slope: float
    slope_error: float
    intercept: float
    intercept_error: float
    dark_noise_e: float
    deviation: float


def transfer_line(points: Sequence[TransferPoint]) -> TransferLine | None:
    """Fit a straight line to a photon transfer.

    Parameters
    ----------
    points : sequence of TransferPoint
        At two or more levels; weighted by 1/σ².

    Returns
    -------
    TransferLine or None
        None when the levels do not give a line that rises.

    References
    ----------
    EMVA 1288 Release 4.0 Linear: σ_y² = K² σ_d² + σ_q² + K (μ_y − μ_dark),
    σ_q² = 1/12.
    """
    if len({point.signal_adu for point in points}) < 2:
        return None
    signal = np.array([point.signal_adu for point in points])
    variance = np.array([point.variance_adu2 for point in points])
    weight = np.array([point.error_adu2 for point in points]) ** -2.0
    middle = float(np.average(signal, weights=weight))
    spread = float((weight * (signal - middle) ** 2).sum())
    slope = float((weight * (signal - middle) * variance).sum()) / spread
    if not slope > 0:
        return None
    intercept = float(np.average(variance, weights=weight)) - slope * middle
    line = intercept + slope * signal
    return TransferLine(
        slope=slope,
        slope_error=spread**-0.5,
        intercept=intercept,
        intercept_error=math.sqrt(1 / float(weight.sum()) + middle**2 / spread),
        dark_noise_e=math.sqrt(max(0.0, intercept - _ROUNDING_VARIANCE)) / slope,
        deviation=float(np.max(np.abs(variance - line) / np.abs(line))),
    )


def _one_pair(
    lit: tuple[NDArray[np.float32], NDArray[np.float32]],
    unlit: tuple[NDArray[np.float32], NDArray[np.float32]],
    saturation_adu: float | None,
) -> tuple[GainAndReadNoise, TransferPoint] | None:
    """Measure one pair of flats that may differ in level, as `measure_camera` says."""
    frames = list(lit)
    if saturation_adu is not None:
        for rows in frames:
            rows[rows >= np.float32(saturation_adu)] = np.nan
    level = float(np.mean([np.nanmean(rows, dtype=np.float64) for rows in unlit]))
    if not all(np.isfinite(rows).any() for rows in frames):
        return None
    signals = [float(np.nanmean(rows, dtype=np.float64)) - level for rows in frames]
    if not min(signals) > 0:
        return None
    share = min(signals) / max(signals)
    brighter = signals.index(max(signals))
    frames[brighter] = (frames[brighter] - np.float32(level)) * np.float32(share)
    frames[brighter] += np.float32(level)
    plain = gain_and_read_noise(frames[0], frames[1], *unlit)
    if plain is None:
        return None
    read_variance = plain.read_noise_adu**2
    # σ²(F1 − F2) as the plain formula had it, with the parts weighed anew
    variance = 2 * min(signals) / plain.gain_e_per_adu + 2 * read_variance
    photons = variance - (1 + share**2) * read_variance
    if not photons > 0:
        return None
    gain = min(signals) * (1 + share) / photons
    error = plain.gain_error * gain / plain.gain_e_per_adu
    shot = photons / (1 + share)  # of one frame at the fainter one's level
    return (
        GainAndReadNoise(
            gain_e_per_adu=gain,
            gain_error=error,
            read_noise_e=gain * plain.read_noise_adu,
            read_noise_adu=plain.read_noise_adu,
        ),
        TransferPoint(
            signal_adu=min(signals),
            variance_adu2=shot + read_variance,
            error_adu2=shot * error / gain,
        ),
    )


def _bias_point(
    unlit: Sequence[tuple[NDArray[np.float32], NDArray[np.float32]]],
) -> TransferPoint:
    variances = [pair_sigma(first, second) ** 2 for first, second in unlit]
    variance = float(np.mean(variances))
    pixels = sum(int(np.isfinite(first).sum()) for first, _ in unlit)
    return TransferPoint(
        signal_adu=0.0,
        variance_adu2=variance,
        error_adu2=variance * math.sqrt(2 / max(1, pixels - 1)),
    )
