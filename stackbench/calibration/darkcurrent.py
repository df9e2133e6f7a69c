"""Dark current of a camera: its typical rate, its map, and how it grows with temperature."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.robust import mad_sigma, median

_TILE = 64  # px


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkRate:
    """Dark current of the typical pixel at one temperature, with its 1σ.

    In any unit per second; `temperature_c` is None where unknown.
    """

    rate: float
    error: float
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DoublingStep:
    """By how many °C the sensor must warm up to double its dark current, with 1σ."""

    step_c: float
    error_c: float


def dark_map(dark: NDArray[np.float32], bias: NDArray[np.float32]) -> NDArray[np.float64]:
    """Map what a dark gathered beyond its bias.

    Parameters
    ----------
    dark, bias : ndarray, shape (ny, nx), float32
        Master dark as taken, and master bias, ADU; NaN is left out.

    Returns
    -------
    ndarray, shape (number down, number across), float64
        Mean of the middle half of the values of each tile of about 64 px, ADU;
        NaN for a tile without a defined pixel. Hot pixels do not count in it,
        and it is not coarse, as a median of means of whole ADU would be.
    """
    ny, nx = dark.shape
    down, across = max(1, ny // _TILE), max(1, nx // _TILE)
    signal = np.full((down, across), np.nan)
    rows = np.linspace(0, ny, down + 1).astype(int)
    columns = np.linspace(0, nx, across + 1).astype(int)
    for i in range(down):
        band = dark[rows[i] : rows[i + 1]] - bias[rows[i] : rows[i + 1]]
        for j in range(across):
            values = band[:, columns[j] : columns[j + 1]]
            values = values[np.isfinite(values)]
            quarter = values.size // 4
            if values.size:
                # one end after the other: asked for both, numpy takes five times as long
                values.partition(quarter)
                upper = values[quarter:]
                upper.partition(upper.size - quarter - 1)
                signal[i, j] = upper[: upper.size - quarter].mean(dtype=np.float64)
    return signal


def dark_rate(
    signal: NDArray[np.float64],
    *,
    exposure_s: float,
    level_error_adu: float = 0.0,
    temperature_c: float | None = None,
) -> DarkRate | None:
    """Tell the dark current of the typical pixel.

    Parameters
    ----------
    signal : ndarray, shape (number down, number across), float64
        From `dark_map`, ADU.
    exposure_s : float
        Exposure of the dark, above 0.
    level_error_adu : float
        1σ of the difference of the two masters' zero levels, which wander from
        frame to frame.
    temperature_c : float, optional
        The sensor's.

    Returns
    -------
    DarkRate or None
        Median over the tiles, ADU per second; None when none is defined.
    """
    defined = signal[np.isfinite(signal)]
    if defined.size == 0 or not exposure_s > 0:
        return None
    # robust: tiles that glow say nothing about the typical one
    middle = median(defined)
    scatter = mad_sigma(defined, middle)
    # the median of n values: √(π/2) σ/√n
    error = math.sqrt(math.pi / 2 / defined.size) * scatter
    return DarkRate(
        rate=middle / exposure_s,
        error=math.hypot(error, level_error_adu) / exposure_s,
        temperature_c=temperature_c,
    )


def doubling_step(rates: Sequence[DarkRate]) -> DoublingStep | None:
    """Measure by how many °C the dark current doubles.

    Parameters
    ----------
    rates : sequence of DarkRate
        At two temperatures or more, at least 2 °C apart. Those that are not
        above 0 by three times their error say nothing.

    Returns
    -------
    DoublingStep or None
        From a straight line through log₂ of the rates, weighted by 1/σ²; None
        when the rates do not tell, or do not rise.

    Notes
    -----
    It is the step between the temperatures measured, no constant of the
    camera: by T^1.5 exp(−E_g/2kT) it is 6.8 K at −10 °C and 8.3 K at +20 °C
    (Janesick 2001, Scientific Charge-Coupled Devices, from memory).
    """
    told = [one for one in rates if one.temperature_c is not None and one.rate > 3 * one.error]
    warmth = np.array([one.temperature_c for one in told], dtype=np.float64)
    if warmth.size < 2 or np.ptp(warmth) < 2:
        return None
    log = np.log2([one.rate for one in told])
    # rates said to be exact still must not weigh without bound
    error = np.array([max(one.error / one.rate, 1e-6) / math.log(2) for one in told])
    weight = error**-2.0
    away = warmth - np.average(warmth, weights=weight)
    spread = float((weight * away**2).sum())
    slope = float((weight * away * log).sum()) / spread
    if not slope > 0:
        return None
    return DoublingStep(step_c=1 / slope, error_c=spread**-0.5 / slope**2)
