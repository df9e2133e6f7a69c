"""Where the sky and the noise of an image lie, and how bright it is shown."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stackbench.frames.robust import mad_sigma, median

_SAMPLES = 400_000
_BELOW_SKY = 8.0  # σ; noise that the black point of a linear export must keep
_BLACK_BELOW_SKY = 3.0  # σ; of a stretched picture
_SOFT = 3.0  # σ; up to about here a stretched picture is linear
_BAND_PIXELS = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class SkyLevel:
    """Median of the sky and its 1σ noise, ADU."""

    sky: float
    noise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Which ADU are shown as black and as white.

    With `softness` None what lies between is linear; otherwise it is
    stretched by asinh(x/a)/asinh(1/a), a = `softness` being the part of the
    range that stays about linear.
    """

    black: float
    white: float
    softness: float | None = None


def sky_level(image: NDArray[np.floating[Any]]) -> SkyLevel | None:
    """Measure sky and noise robustly on a sample of the pixels.

    Three rounds of a cut at the median + 2.5 σ and − 4 σ (scaled median
    absolute deviation) leave the stars out.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float
        ADU, NaN where undefined. Not modified.

    Returns
    -------
    SkyLevel or None
        None when no pixel is defined.
    """
    values = _sample(image)
    if values.size == 0:
        return None
    for _ in range(3):
        sky, noise = _middle(values)
        kept = values[(values >= sky - 4.0 * noise) & (values <= sky + 2.5 * noise)]
        if kept.size in (0, values.size):
            break
        values = kept
    sky, noise = _middle(values)
    return SkyLevel(sky=sky, noise=noise)


def common_scale(images: Sequence[NDArray[np.float32]]) -> Scale:
    """Find one linear scale for all channels of a target.

    Black is 0 ADU, or 8 σ under the darkest sky if that lies lower, so that
    ratios between channels survive and no noise is cut; white is the
    brightest pixel of all channels.

    Parameters
    ----------
    images : sequence of ndarray, shape (ny, nx), float32
        The channels, ADU, NaN where undefined. Not modified.

    Returns
    -------
    Scale
        Linear; 0 to 1 when no pixel is defined.
    """
    levels = [level for level in map(sky_level, images) if level]
    black = min([0.0, *(level.sky - _BELOW_SKY * level.noise for level in levels)])
    white = max((_brightest(image) for image in images), default=black)
    return Scale(black=black, white=white if white > black else black + 1.0)


def picture_scale(image: NDArray[np.float32]) -> Scale:
    """Find a stretch that shows faint structure and keeps star cores apart.

    Black lies 3 σ under the sky, white at the 99.97th percentile, and the
    curve is linear up to about 3 σ above black: the sky comes out dark grey
    with its noise just visible, whatever the exposure.

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        ADU as shown, decimated that is; NaN where undefined. Not modified.

    Returns
    -------
    Scale
        With a softness.
    """
    level = sky_level(image)
    if level is None:
        return Scale(black=0.0, white=1.0, softness=1.0)
    sample = _sample(image)
    black = level.sky - _BLACK_BELOW_SKY * level.noise
    # without noise or stars there is nothing to stretch: a flat grey then
    white = max(float(np.percentile(sample, 99.97)), level.sky + 10.0 * level.noise)
    if white <= black:
        return Scale(black=black - 1.0, white=black + 9.0, softness=1.0)
    return Scale(
        black=black, white=white, softness=max(_SOFT * level.noise / (white - black), 1e-5)
    )


def shown(image: NDArray[np.float32], scale: Scale) -> NDArray[np.float32]:
    """Bring an image to 0 (black) … 1 (white).

    Parameters
    ----------
    image : ndarray, shape (ny, nx), float32
        ADU; NaN where undefined. Not modified.
    scale : Scale
        What is black and white.

    Returns
    -------
    ndarray, shape (ny, nx), float32
        From 0 to 1, undefined pixels black.
    """
    result = np.empty(image.shape, dtype=np.float32)
    step = max(1, _BAND_PIXELS // max(image.shape[1], 1))
    for row in range(0, image.shape[0], step):
        # float64 for the offset, since ADU may be large against the range
        band = np.subtract(image[row : row + step], scale.black, dtype=np.float64)
        band /= scale.white - scale.black
        # one pass; fmax and fmin pass over NaN, which so becomes black
        np.fmin(np.fmax(band, 0.0, out=band), 1.0, out=band)
        if scale.softness is not None:
            band = asinh_stretch(band, softness=scale.softness)
        result[row : row + step] = band
    return result


def asinh_stretch(values: NDArray[np.float64], *, softness: float) -> NDArray[np.float64]:
    """Stretch 0 … 1 by y = asinh(x/a) / asinh(1/a).

    Parameters
    ----------
    values : ndarray, float64
        From 0 to 1. Not modified.
    softness : float
        The a of the formula, above 0: up to about here y is linear in x.

    Returns
    -------
    ndarray, float64
        From 0 to 1.

    References
    ----------
    Lupton et al. 2004, PASP 116, 133 (asinh for pictures).
    """
    stretched: NDArray[np.float64] = np.arcsinh(values / softness) / float(np.arcsinh(1 / softness))
    return stretched


def as_uint16(shown_image: NDArray[np.float32]) -> NDArray[np.uint16]:
    """Turn 0 … 1 into the nearest of 0 … 65535.

    Parameters
    ----------
    shown_image : ndarray, shape (ny, nx), float32
        From 0 to 1, no NaN. Not modified.

    Returns
    -------
    ndarray, shape (ny, nx), uint16
        Rounded, not cut off.
    """
    result = np.empty(shown_image.shape, dtype=np.uint16)
    step = max(1, _BAND_PIXELS // max(shown_image.shape[1], 1))
    for row in range(0, shown_image.shape[0], step):
        band = np.multiply(shown_image[row : row + step], 65535.0, dtype=np.float64)
        band += 0.5
        result[row : row + step] = band  # the fraction falls away
    return result


def _sample(image: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    stride = max(1, int(np.sqrt(image.size / _SAMPLES)))
    # an odd stride in x, so that a pattern of every second column is not always missed
    sample = image[::stride, :: stride | 1]
    defined: NDArray[np.float64] = sample[np.isfinite(sample)].astype(np.float64)
    return defined


def _middle(values: NDArray[np.float64]) -> tuple[float, float]:
    middle = median(values)
    return middle, mad_sigma(values, middle)


def _brightest(image: NDArray[np.float32]) -> float:
    if image.size == 0:
        return -np.inf
    highest = float(np.fmax.reduce(image, axis=None))
    if np.isinf(highest):
        finite = image[np.isfinite(image)]
        highest = float(finite.max()) if finite.size else -np.inf
    return -np.inf if np.isnan(highest) else highest
